"""The simulated side and the sums over a show: same rules, no real clock, no I/O."""
