"""Why a server does not start."""


class StartRefused(Exception):  # noqa: N818 - the word says what happened
    """The server cannot start: what stands in the way, and what to do."""
