"""Bytes of the wire and text of the show file to checked values, and back. Pure: no I/O."""
