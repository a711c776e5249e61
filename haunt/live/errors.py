"""Whose fault: a person asked for something that cannot be. A board's nonsense is in wire."""


class CrewMistake(Exception):  # noqa: N818 - the word says whose fault
    """A person asked for what cannot be: says what is wrong, where, and what is allowed."""

    def __init__(self, what: str, *, about: str = "", missing: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.about = about
        self.missing = missing
