"""Faults of a running night, each named once, with what to do. Sums over what was heard, no I/O."""
