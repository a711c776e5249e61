"""Plain words for what a model refuses: what is wrong, and what is allowed instead.

One table for payloads and for the show file; never repeats more than a few characters of the input.
"""

from typing import Final, NamedTuple

from pydantic_core import ErrorDetails, PydanticCustomError

from haunt.wire.forms import PATTERN_ALLOWED

SHOWN_CHARS_MAX: Final = 40


class Words(NamedTuple):
    what: str
    allowed: str


# By pydantic's name of the fault; the braces are filled from its context.
_ALLOWED: Final[dict[str, str]] = {
    "int_type": "a whole number, without quotes or point",
    "float_type": "a number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "list_type": "a list",
    "tuple_type": "a list",
    "finite_number": "a finite number",
    "greater_than_equal": "at least {ge}",
    "greater_than": "more than {gt}",
    "less_than_equal": "at most {le}",
    "less_than": "less than {lt}",
    "string_too_short": "at least {min_length} characters",
    "string_too_long": "at most {max_length} characters",
    "too_short": "at least {min_length} entries",
    "too_long": "at most {max_length} entries",
    "literal_error": "{expected}",
    "union_tag_invalid": "{discriminator} as one of {expected_tags}",
    "union_tag_not_found": "with the key {discriminator}",
}


def words_of(error: ErrorDetails, table: str = "an object") -> Words:
    """Say it plainly; `table` is the format's own word for a value with keys."""
    ctx = error.get("ctx", {})
    is_given = f"is {shown(error['input'], table)}"
    match error["type"]:
        case "missing":
            return Words("is missing", "it must be given")
        case "json_invalid":
            return Words(f"is not JSON ({ctx['error']})", "one JSON object")
        case "string_pattern_mismatch":
            return Words(is_given, PATTERN_ALLOWED[ctx["pattern"]])
        case "dict_type" | "model_type":
            return Words(is_given, table)
        case kind if kind in _ALLOWED:
            return Words(is_given, _ALLOWED[kind].format_map(ctx))
        case _:
            return Words(is_given, error["msg"])


def refusal(allowed: str) -> PydanticCustomError:
    """For a validator of our own: the message is what is allowed."""
    return PydanticCustomError("refused", "{allowed}", {"allowed": allowed})


def shown(value: object, table: str = "an object") -> str:
    """A short form of what was given, safe to print."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "null"
    if isinstance(value, dict):
        return table
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, int) and not -(10**20) < value < 10**20:
        return "a number of over 20 digits"
    return clipped(ascii(value) if isinstance(value, str) else value)


def clipped(value: object) -> str:
    text = str(value)
    return text if len(text) <= SHOWN_CHARS_MAX else f"{text[:SHOWN_CHARS_MAX]}…"
