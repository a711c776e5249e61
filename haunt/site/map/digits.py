"""Numbers of a drawing as text: units of the sheet, metres to the centimetre, no idle zeros."""

from typing import Final

METRE_DIGITS: Final = 2
"""To the centimetre: nobody measures a garden better."""


def units(value: float) -> str:
    """To a tenth of a unit of the sheet."""
    return f"{value:.1f}".removesuffix(".0")


def metres(value: float) -> str:
    return f"{value:.{METRE_DIGITS}f}".rstrip("0").rstrip(".")
