"""haunt runs a gardenful of animated props through a night of visitors."""

VERSION = "0.1.0"
