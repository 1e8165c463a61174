"""What to dig first: evidence a square, ranking, dig plan."""
