"""Pools of lines before a night: read from files, and prepared from an owner's own sentences."""
