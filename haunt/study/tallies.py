"""Triggers counted by prop, hour and night, and the boards' own counters beside the journal's."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from haunt.core.calendar import utc

QUARTER_MS: Final = 900_000
NOON_H: Final = 12
TOLD_EVERY_S: Final = 5


class Quarter(NamedTuple):
    """So many decisions of one outcome in a quarter of an hour, `number * QUARTER_MS` on."""

    number: int
    prop: str | None
    outcome: str
    times: int


class BootCount(NamedTuple):
    """One boot of a board: what it last said it counted (None: never), and what the journal has.

    `after` of those were seen once it had said so; `last` is the highest number among them.
    """

    board: str
    boot: str
    counted: int | None
    journalled: int
    after: int
    last: int | None


@dataclass(frozen=True, slots=True)
class Cell:
    """Decisions of one prop, hour or night."""

    fired: int = 0
    refused: int = 0
    lapsed: int = 0

    @property
    def all(self) -> int:
        return self.fired + self.refused + self.lapsed


@dataclass(frozen=True, slots=True)
class NightTallies:
    """`hours` are the local hours of the day in the night's order, each with every prop's cell."""

    day: str
    whole: Cell
    hours: tuple[tuple[int, Cell], ...]
    props: tuple[tuple[str, Cell], ...]
    by_prop_and_hour: Mapping[tuple[str, int], Cell]

    @property
    def busiest(self) -> tuple[int, Cell] | None:
        return max(self.hours, key=lambda each: each[1].fired, default=None)


@dataclass(frozen=True, slots=True)
class BoardTally:
    """`counted` is None where the board never told. `why` explains a difference in words."""

    board: str
    counted: int | None
    journalled: int
    lost: int
    why: str

    @property
    def difference(self) -> int:
        return 0 if self.counted is None else self.counted - self.journalled


def share_of(part: int, whole: int) -> float | None:
    """Return 0 to 1; None of nothing."""
    return part / whole if whole else None


def night_of(at_ms: int, zone: ZoneInfo) -> date:
    """Return the local date that an instant's night began on: it ends at the next noon."""
    local = utc(at_ms).astimezone(zone)
    return local.date() if local.hour >= NOON_H else local.date() - timedelta(days=1)


def nights(quarters: Iterable[Quarter], zone: ZoneInfo) -> list[tuple[date, Cell]]:
    """Return what each night came to, the newest first."""
    found: dict[date, Counter[str]] = defaultdict(Counter)
    for each in quarters:
        found[night_of(each.number * QUARTER_MS, zone)][each.outcome] += each.times
    return [(day, _cell(found[day])) for day in sorted(found, reverse=True)]


def tallies_of(day: date, quarters: Iterable[Quarter], zone: ZoneInfo) -> NightTallies:
    whole: Counter[str] = Counter()
    hours: dict[int, Counter[str]] = defaultdict(Counter)
    props: dict[str, Counter[str]] = defaultdict(Counter)
    both: dict[tuple[str, int], Counter[str]] = defaultdict(Counter)
    for each in quarters:
        local = utc(each.number * QUARTER_MS).astimezone(zone)
        whole[each.outcome] += each.times
        hours[local.hour][each.outcome] += each.times
        if each.prop is not None:
            props[each.prop][each.outcome] += each.times
            both[each.prop, local.hour][each.outcome] += each.times
    return NightTallies(
        day.isoformat(),
        _cell(whole),
        tuple((hour, _cell(hours[hour])) for hour in _in_order(hours)),
        tuple(
            (prop, _cell(count))
            for prop, count in sorted(props.items(), key=lambda each: (-each[1]["fired"], each[0]))
        ),
        {key: _cell(count) for key, count in both.items()},
    )


def _in_order(hours: Iterable[int]) -> list[int]:
    """From the first busy hour after noon to the last before the next, none left out."""
    since_noon = sorted((hour - NOON_H) % 24 for hour in hours)
    if not since_noon:
        return []
    return [(each + NOON_H) % 24 for each in range(since_noon[0], since_noon[-1] + 1)]


def _cell(count: Mapping[str, int]) -> Cell:
    return Cell(count.get("fired", 0), count.get("refused", 0), count.get("lapsed", 0))


def boards(boots: Iterable[BootCount]) -> list[BoardTally]:
    """Put the counters of each board's boots together and say what the difference comes from."""
    by_board: dict[str, list[BootCount]] = defaultdict(list)
    for each in boots:
        by_board[each.board].append(each)
    return [_board(board, by_board[board]) for board in sorted(by_board)]


def _board(board: str, boots: Sequence[BootCount]) -> BoardTally:
    told = [each for each in boots if each.counted is not None]
    counted = sum(each.counted or 0 for each in told)
    journalled = sum(each.journalled for each in boots)
    lost = sum(_missing(each) for each in boots)
    return BoardTally(
        board, counted if told else None, journalled, lost, _why(boots, told, counted, lost)
    )


def _missing(boot: BootCount) -> int:
    """Return how many numbers up to the last that came are not there. A board counts from 1."""
    return 0 if boot.last is None else boot.last - boot.journalled


def _why(boots: Sequence[BootCount], told: Sequence[BootCount], counted: int, lost: int) -> str:
    silent = sum(each.journalled for each in boots if each.counted is None)
    heard = sum(each.journalled for each in told)
    after = sum(each.after for each in told)
    unsent = counted - (heard - after) - lost
    # A motion may be counted, told of, and come a moment later: that is no difference.
    late = min(after, max(0, unsent))
    unsent, after = unsent - late, after - late
    found = (
        (lost, "never came, by their numbers: lost on the air, or out of the board's full queue"),
        (unsent, "never came, the last ones: the board was off before it could send them"),
        (-unsent, "came though it had not counted them"),
        (after, f"came after it last told, which it does every {TOLD_EVERY_S} s"),
        (silent, "are of a start at which it never told"),
    )
    return "; ".join(f"{count} {words}" for count, words in found if count > 0)
