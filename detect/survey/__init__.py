"""What came from the site: settings, tables, frame, and the errors that speak to a diver."""
