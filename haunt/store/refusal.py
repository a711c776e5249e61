"""The one way in which the store refuses, in words for people."""


class StoreRefused(Exception):  # noqa: N818 - the word says what happened
    """The database cannot be used: what is wrong, and what to do."""
