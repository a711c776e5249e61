"""haunt runs a gardenful of animated props through a night of visitors."""
