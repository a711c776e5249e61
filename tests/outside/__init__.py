"""Every check against something outside the project, in one table: `python -m tests.outside`.

A row says what others published, where, how far ours may be off, and how well the value is proved.
"""
