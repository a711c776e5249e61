"""Forms of text that the wire and the show file share, each with the words that a refusal shows.

Owns patterns only; never decides whether an id is known.
"""

import re
from typing import Final

ID_PATTERN: Final = r"^[a-z0-9-]{1,32}$"
BOOT_PATTERN: Final = r"^[0-9a-f]{12}$"
CUE_ID_PATTERN: Final = r"^[A-Za-z0-9._:-]{1,128}$"
LINE_PATTERN: Final = r"^[^\x00-\x1f]{1,128}$"
VOICE_PATTERN: Final = r"^[A-Za-z0-9][A-Za-z0-9+_-]{0,31}$"
CLOCK_TIME_PATTERN: Final = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"

ID_ALLOWED: Final = "1 to 32 of the characters a-z, 0-9 and -"
BOARD_ID_ALLOWED: Final = f"{ID_ALLOWED}, but not all or controller"
PATTERN_ALLOWED: Final[dict[str, str]] = {
    ID_PATTERN: ID_ALLOWED,
    BOOT_PATTERN: "12 digits of 0-9 and a-f",
    CUE_ID_PATTERN: "1 to 128 letters, digits and . _ : -",
    LINE_PATTERN: "1 to 128 printable characters",
    VOICE_PATTERN: "a voice of espeak-ng such as en, de or en-gb",
    CLOCK_TIME_PATTERN: "a time as HH:MM, 00:00 to 23:59",
}

ALL: Final = "all"
CONTROLLER: Final = "controller"
RESERVED: Final = frozenset({ALL, CONTROLLER})

_ID: Final = re.compile(r"[a-z0-9-]{1,32}")


def is_id(text: str) -> bool:
    return _ID.fullmatch(text) is not None


def is_board_id(text: str) -> bool:
    """Whether a board may be called so: `all` and `controller` are topics of their own."""
    return is_id(text) and text not in RESERVED
