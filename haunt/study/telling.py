"""What the arbiter is told in a drawn night: boots, links, rises of sensors, health.

Both clocks are one here: nobody sets a clock on such a night.
"""

from collections import Counter
from dataclasses import dataclass
from typing import Final

from haunt.core import events
from haunt.core.boards import LOST_ARMS_MS
from haunt.core.calendar import HOUR_MS
from haunt.core.events import Event
from haunt.core.show import Show
from haunt.study.chance import Chance
from haunt.study.rerun import Recording
from haunt.study.walkers import Seen, Sight, Span

HEALTH_MS: Final = 60_000
RESTART_MS: Final = 12_000
RELEASED_MS: Final = 120_000
"""A prop armed by hand that is held again after a restart is let go after two minutes."""


@dataclass(frozen=True, slots=True)
class Faults:
    """Mean hours between faults of one board, 0 never; and the share of sightings unseen."""

    link_lost_every_h: float = 0.0
    link_lost_s: float = 20.0
    restart_every_h: float = 0.0
    missed: float = 0.0


CALM: Final = Faults(missed=0.02)
ROUGH: Final = Faults(link_lost_every_h=1.0, restart_every_h=4.0, missed=0.05)


def recording_of(
    show: Show, sights: list[Sight], seen: Seen, faults: Faults, night: Span, seed: int
) -> Recording:
    """Tell of a night's walks as boards would."""
    start_ms, until_ms = night
    told: list[Event] = [
        events.Started(start_ms, start_ms),
        events.LinkChanged(start_ms, start_ms, up=True),
    ]
    sensors: dict[str, list[tuple[str, Span]]] = {board.id: [] for board in show.boards}
    for sight in sights:
        sensors[sight.board] += [(sight.sensor, span) for span in seen.high[sight.sensor]]
    for board in show.boards:
        armed = [p.id for p in show.props if p.board == board.id and p.arm_by_hand]
        chance = Chance(seed, f"board {board.id}")
        told += _Told(board.id, armed, faults, chance).night(sensors[board.id], start_ms, until_ms)
    told.append(events.LinkChanged(until_ms, until_ms, up=True))
    told.sort(key=lambda each: each.mono_ms)
    return Recording(tuple(told))


class _Told:
    """What one board tells: its boots, its links, each rise of a sensor, and its health."""

    def __init__(self, board: str, armed: list[str], faults: Faults, chance: Chance) -> None:
        self._board, self._armed, self._faults, self._chance = board, armed, faults, chance
        self._seq = 0
        self._active: Counter[str] = Counter()

    def night(self, high: list[tuple[str, Span]], start_ms: int, until_ms: int) -> list[Event]:
        told: list[Event] = []
        boots = self._boots(start_ms, until_ms)
        for (begin, boot, reset), after in zip(boots, [*boots[1:], None], strict=True):
            end = until_ms if after is None else after[0] - RESTART_MS
            up_ms = HOUR_MS if begin == start_ms else 0
            told.append(events.BoardHere(begin, begin, self._board, boot, up_ms, reset))
            freed = begin if begin == start_ms else begin + RELEASED_MS
            told += self._freed(freed)
            gone = self._outages(begin, end)
            self._seq, self._active = 0, Counter()
            told += self._senses(
                boot, reset, gone, [h for h in high if begin <= h[1].from_ms < end]
            )
            told += [
                events.BoardHealth(at, at, self._board, boot, at - begin + up_ms, reset=reset)
                for at in range(begin + HEALTH_MS, end, HEALTH_MS)
                if not any(away.from_ms <= at < away.until_ms for away in gone)
            ]
            for away in gone:
                back = events.BoardHere(
                    away.until_ms, away.until_ms, self._board, boot, away.until_ms - begin, reset
                )
                told += [events.BoardGone(away.from_ms, away.from_ms, self._board), back]
                if away.until_ms - away.from_ms >= LOST_ARMS_MS:
                    told += self._freed(away.until_ms + RELEASED_MS)
            if after is not None:
                told.append(events.BoardGone(end, end, self._board))
        return told

    def _freed(self, at: int) -> list[Event]:
        return [events.HoldReleased(at, at, each, "crew") for each in self._armed]

    def _boots(self, start_ms: int, until_ms: int) -> list[tuple[int, str, str]]:
        found = [(start_ms, self._chance.hex(12), "soft")]
        every = self._faults.restart_every_h
        while every:
            gap_ms = round(self._chance.exponential(every * HOUR_MS)) + RESTART_MS
            if found[-1][0] + gap_ms >= until_ms:
                break
            found.append((found[-1][0] + gap_ms, self._chance.hex(12), "brown-out"))
        return found

    def _outages(self, begin: int, end: int) -> list[Span]:
        found: list[Span] = []
        at, every = begin, self._faults.link_lost_every_h
        while every:
            at += round(self._chance.exponential(every * HOUR_MS))
            until = at + round(self._chance.exponential(self._faults.link_lost_s * 1000)) + 1000
            if until >= end:
                break
            found.append(Span(at, until))
            at = until
        return found

    def _senses(
        self, boot: str, reset: str, gone: list[Span], high: list[tuple[str, Span]]
    ) -> list[Event]:
        """A rise is told at once, or when the board is back; that it is clear, at its end."""
        told: list[Event] = []
        for sensor, span in sorted(high, key=lambda each: each[1].from_ms):
            self._seq += 1
            at, age_ms = _told_at(span.from_ms, gone)
            told.append(events.Motion(at, at, self._board, sensor, boot, self._seq, age_ms))
            self._active[sensor] += span.until_ms - span.from_ms
            clear, late = _told_at(span.until_ms, gone)
            if not late:
                active = tuple(self._active.items())
                told.append(
                    events.BoardHealth(clear, clear, self._board, boot, 0, None, active, reset)
                )
        return told


def _told_at(at_ms: int, gone: list[Span]) -> tuple[int, int]:
    """Return when the controller hears of an instant, and how old it is by then."""
    for away in gone:
        if away.from_ms <= at_ms < away.until_ms:
            return away.until_ms, away.until_ms - at_ms
    return at_ms, 0
