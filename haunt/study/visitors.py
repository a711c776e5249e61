"""Groups of visitors walking the path from sensor to sensor. Their numbers are invented.

A group arrives by chance, keeps its own pace, lingers where it likes, and never turns round.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from haunt.core.calendar import HOUR_MS
from haunt.study.chance import Chance
from haunt.study.schedule import Schedule
from haunt.wire.showmodels import Sensor, ShowFile

FAR_M = 5.0
PACE_M_S = (0.5, 1.2)
"""Walking in the dark with children: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Traffic:
    """Groups an hour, and how many people are in one at most."""

    groups_per_hour: float = 40
    people_max: int = 8
    passers_share: float = 0.1  # of groups that come the other way


@dataclass(frozen=True, slots=True)
class Stop:
    sensor: str
    board: str
    metres: float


def path_of(file: ShowFile) -> list[Stop]:
    """Return the sensors in the file's order, with metres from the entrance; no buttons."""
    stops: list[Stop] = []
    last: Sensor | None = None
    metres = 0.0
    for sensor in file.sensors:
        if sensor.kind == "button":
            continue
        metres += _between(last, sensor)
        stops.append(Stop(sensor.id, sensor.board, metres))
        last = sensor
    return stops


def _between(one: Sensor | None, other: Sensor) -> float:
    if one is None:
        return 0.0
    if None in (one.x_m, one.y_m, other.x_m, other.y_m):
        return FAR_M
    dx, dy = (
        float(one.x_m or 0) - float(other.x_m or 0),
        float(one.y_m or 0) - float(other.y_m or 0),
    )
    return max(1.0, float((dx * dx + dy * dy) ** 0.5))


class Senses(Protocol):
    """A board, as far as visitors are concerned."""

    def sense(self, sensor: str, high_ms: int) -> None: ...


class Visitors:
    """`groups` counts those that entered; `open_now` says whether the entrance is."""

    def __init__(
        self,
        path: list[Stop],
        boards: Mapping[str, Senses],
        traffic: Traffic,
        schedule: Schedule,
        chance: Chance,
    ) -> None:
        self.groups = 0
        self.people = 0
        self._has_left = False
        self._path, self._boards, self._traffic = path, boards, traffic
        self._schedule, self._chance = schedule, chance

    def come(self, open_now: Callable[[], bool] = lambda: True) -> None:
        """Send the first group on its way, and each the next."""
        self._open_now = open_now
        if not self._traffic.groups_per_hour:
            return
        self._schedule.after(self._gap(), self._again)

    def leave(self) -> None:
        """Everybody is gone at once: no more groups, and nobody on the path."""
        self._has_left = True

    def _again(self) -> None:
        if self._has_left:
            return
        self._schedule.after(self._gap(), self._again)
        self.next_group()

    def _gap(self) -> int:
        return max(1, round(self._chance.exponential(HOUR_MS / self._traffic.groups_per_hour)))

    def next_group(self) -> None:
        """Send one on its way now."""
        if not self._open_now() or not self._path:
            return
        self.groups += 1
        people = 1 + self._chance.below(self._traffic.people_max)
        self.people += people
        low, high = PACE_M_S
        pace = low + (high - low) * self._chance.share()
        path = self._path
        leaving = self._chance.happens(self._traffic.passers_share)
        length = path[-1].metres
        at_ms = 0
        for stop in reversed(path) if leaving else path:
            walked = length - stop.metres if leaving else stop.metres
            at_ms = max(at_ms, round(walked / pace * 1000))
            lingers_ms = self._chance.between(0, 3000)
            self._pass(stop, at_ms, people)
            at_ms += lingers_ms

    def _pass(self, stop: Stop, at_ms: int, people: int) -> None:
        """The sensor goes high for the first; a long group sets it off again."""
        board = self._boards[stop.board]
        for n in range(0, people, 3):
            high_ms = self._chance.between(800, 2500)
            self._schedule.after(
                at_ms + n * 1100, partial(self._sense, board, stop.sensor, high_ms)
            )

    def _sense(self, board: Senses, sensor: str, high_ms: int) -> None:
        if not self._has_left:
            board.sense(sensor, high_ms)
