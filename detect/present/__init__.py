"""What people look at: maps, slates, report, exchange files."""
