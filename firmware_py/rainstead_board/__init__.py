"""What runs on the board: drivers, sampling, clock trust, the logger; and the twin that stands in for hardware."""
