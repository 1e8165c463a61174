"""What the steel felt: contact probability, contact depth, the seabed."""
