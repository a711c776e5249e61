"""The exchange with one real board, step by step, and whether it keeps to the wire's contract."""
