"""What tonight is: its hours, dusk, phases and quiet spans; and what people look at before it.

Pure. The lines that fill themselves are in checklist.py.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

from haunt.core.calendar import HOUR_MS, Calendar, Piece, Sunset
from haunt.core.clockwork import TimeOfDay

MORNING_H: Final = 6
"""A show that is always open counts the small hours to the evening before."""
AHEAD_MS: Final = 12 * HOUR_MS
BEFORE_OPENING_MS: Final = HOUR_MS // 2
"""Where neither sunset nor a phase tells when it is dark."""


class Span(NamedTuple):
    """Something that holds for a part of the night, in UTC ms."""

    what: str
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Tonight:
    """The night that is open or comes next. `dusk` says what `dusk_ms` was told by.

    Without a night in the show file it is always open, and `opens_ms` and `closes_ms` are None.
    """

    day: str
    begins_ms: int
    dusk_ms: int
    dusk: str
    opens_ms: int | None
    closes_ms: int | None
    phases: tuple[Span, ...]
    quiet: tuple[Span, ...]
    later: str = ""
    """The date of the first night further ahead than a day or two, where none is nearer."""


# --- what tonight is


def tonight(calendar: Calendar, sunset: Sunset, wall_ms: int) -> Tonight:
    known = calendar.night_of(wall_ms)
    if known is None:
        day = calendar.local_date(wall_ms - MORNING_H * HOUR_MS)
        opens, closes = None, None
        first, last = wall_ms, wall_ms + AHEAD_MS
        later = calendar.next_opening(wall_ms)
    else:
        spec, opens, closes = known
        later = None
        day, first, last = spec.date, opens, closes
    phases, quiet = _spans(calendar, first, last)
    begins = calendar.first_instant(day, TimeOfDay(0))
    dusk = sunset(day)
    if dusk is not None:
        told = "sunset"
    elif phases and opens is not None:
        dusk, told = phases[0].from_ms, f"the start of {phases[0].what}"
    elif opens is not None:
        dusk, told = opens - BEFORE_OPENING_MS, "half an hour before opening"
    else:
        evening = calendar.first_instant(day, TimeOfDay(18 * 60))
        dusk, told = evening if evening is not None else wall_ms, "evening"
    return Tonight(
        day.isoformat(),
        begins if begins is not None else dusk - AHEAD_MS,
        dusk,
        told,
        opens,
        closes,
        phases,
        quiet,
        "" if later is None else calendar.local_date(later).isoformat(),
    )


def _spans(
    calendar: Calendar, from_ms: int, until_ms: int
) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    phases: list[Span] = []
    quiet: list[Span] = []
    at_ms = from_ms
    while at_ms < until_ms:
        piece = calendar.piece(at_ms)
        end = min(piece.until_ms, until_ms)
        if piece.phases:
            _stretch(phases, Span(", ".join(piece.phases), at_ms, end))
        if piece.quiet:
            _stretch(quiet, Span(_hush(piece), at_ms, end))
        at_ms = end
    return tuple(phases), tuple(quiet)


def _stretch(spans: list[Span], more: Span) -> None:
    if spans and spans[-1].what == more.what and spans[-1].until_ms == more.from_ms:
        spans[-1] = spans[-1]._replace(until_ms=more.until_ms)
    else:
        spans.append(more)


def _hush(piece: Piece) -> str:
    return "nothing may be heard" if piece.quiet_dba is None else f"{piece.quiet_dba:g} dBA at most"


# --- the lines that a person ticks


class Tick(NamedTuple):
    """`todo` is what to look at; `of` groups them."""

    id: str
    of: str
    todo: str


TICKS: Final = (
    Tick("path-lit", "Path", "Path and exits are lit without the show."),
    Tick("cables", "Path", "Cables lie off the path, or are ramped and taped."),
    Tick("exits", "Path", "Exits and steps are clear, and no fog hides them."),
    Tick("room", "Path", "Who jumps back at a scare spot meets no step, kerb, water or flame."),
    Tick("cut-offs", "Props", "Each moving prop's own switch or valve was found and tried."),
    Tick(
        "guards", "Props", "Guards stand at arm's length plus stroke; who works on it unplugs it."
    ),
    Tick("air", "Props", "Air: relief valve seen, dump valve within the helper's reach."),
    Tick("water", "Power", "Mains is kept from water, plugs off the ground."),
    Tick("ground-fault", "Power", "Ground-fault devices were tested today; none is bypassed."),
    Tick(
        "lithium",
        "Power",
        "Lithium packs were charged attended, on something that does not burn, not in the prop.",
    ),
    Tick("extinguisher", "People", "An extinguisher is at hand, and the crew knows where."),
    Tick("signs", "People", "Signs for strobes and fog stand before the queue, with a way round."),
    Tick("boundary", "People", "The property line was walked while the loudest prop played."),
    Tick("crew", "People", "The crew knows Stop, Hold, Gentle, and where each cut-off is."),
)
TICK: Final = {each.id: each for each in TICKS}
