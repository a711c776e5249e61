"""Whether a sensor is silent because nobody came, or because it no longer sees.

A fixed time would cry on a quiet night and sleep on a busy one. So the groups are counted that
passed the sensor's two neighbours, and compared with how this sensor has kept up so far. Let it
have reported `hits` of the groups and missed `misses`; before anything is known of it, it is worth
`STRENGTH` groups of the mean of all sensors tonight. Its chance to see one group is then a beta
distribution, and the chance that a good sensor misses the next `run` groups in a row is

    product over j < run of (b + j) / (a + b + j),    a = STRENGTH x mean + hits,
                                                      b = STRENGTH x (1 - mean) + misses

(the beta-binomial with no success; any text on Bayesian inference has it). Below `ODDS_LEAST` it is
a fault. A sensor that saw 50 of 52 groups is named at the 5th miss, one that always sees every
other group after some twenty. With 20 sensors and 500 groups a night, about one false
alarm in ten nights is to be expected while groups are independent of each other.

A sensor that is itself at fault (it chatters, or is stuck) is no witness: while that lasts its
neighbours are not judged by what it reports, so neither is called silent who was not before.
"""

from dataclasses import dataclass
from typing import Final

ODDS_LEAST: Final = 1e-5
STRENGTH: Final = 8.0
PRIOR_HITS, PRIOR_ALL = 8.0, 10.0
"""Before the night has told anything a sensor on the path is taken to see four groups of five."""
VISIT_GAP_MS: Final = 8_000
VISIT_MS_MAX: Final = 20_000
"""Motions closer than the gap are one group; a crowd that never ends counts as one each 20 s."""
REMEMBERED_MAX: Final = 200
"""Groups; beyond it both counts are halved, so that a sensor may change through the night."""


def odds_of_silence(hits: float, misses: float, run: int, mean: float) -> float:
    """Return the chance that a good sensor with this record misses `run` groups in a row."""
    a, b = STRENGTH * mean + hits, STRENGTH * (1 - mean) + misses
    odds = 1.0
    for j in range(run):
        odds *= (b + j) / (a + b + j)
    return odds


@dataclass(slots=True, eq=False)
class Spot:
    """One sensor on the path; `first` and `second` count its neighbours' groups since its own."""

    id: str
    beside: tuple[str, ...] = ()
    hits: float = 0.0
    misses: float = 0.0
    first: int = 0
    second: int = 0
    last_ms: int | None = None
    visit_ms: int = 0
    is_silent: bool = False

    @property
    def run(self) -> int:
        """Groups that both neighbours saw; one may still be on its way."""
        return max(0, min(self.first, self.second) - 1)


class Path:
    """The sensors in the order in which a group comes past them."""

    def __init__(self, order: tuple[str, ...]) -> None:
        self.order = order
        self._spots = {each: Spot(each) for each in order} if len(order) > 2 else {}
        self._watched: dict[str, list[tuple[Spot, bool]]] = {each: [] for each in order}
        for at, name in enumerate(order if self._spots else ()):
            one, other = _beside(at, len(order))
            spot = self._spots[name]
            spot.beside = (order[one], order[other])
            self._watched[order[one]].append((spot, True))
            self._watched[order[other]].append((spot, False))
        self._hits, self._all = PRIOR_HITS, PRIOR_ALL
        self._changed: dict[str, Spot] = {}
        self._silent: dict[str, Spot] = {}
        self._doubted: set[str] = set()

    def seen(self, sensor: str, mono_ms: int) -> None:
        """A sensor reported. Only what begins a group's visit counts."""
        spot = self._spots.get(sensor)
        if spot is None:
            return
        last_ms, spot.last_ms = spot.last_ms, mono_ms
        if (
            last_ms is not None
            and mono_ms - last_ms < VISIT_GAP_MS
            and mono_ms - spot.visit_ms < VISIT_MS_MAX
        ):
            return
        spot.visit_ms = mono_ms
        self._learn(spot)
        if sensor in self._doubted:
            return
        for other, is_first in self._watched[sensor]:
            if is_first:
                other.first += 1
            else:
                other.second += 1
            self._changed[other.id] = other

    def _learn(self, spot: Spot) -> None:
        """It sees after all. What it missed while it was at fault says nothing of its nature."""
        missed = 0 if spot.is_silent else spot.run
        spot.hits, spot.misses = spot.hits + 1, spot.misses + missed
        self._hits, self._all = self._hits + 1, self._all + 1 + missed
        if spot.hits + spot.misses > REMEMBERED_MAX:
            spot.hits, spot.misses = spot.hits / 2, spot.misses / 2
        self.excuse(spot.id)

    def excuse(self, sensor: str) -> None:
        """Begin anew with a sensor that reported, is muted, or whose board is lost."""
        spot = self._spots.get(sensor)
        if spot is not None:
            spot.first = spot.second = 0
            spot.is_silent = False
            self._changed.pop(sensor, None)
            self._silent.pop(sensor, None)

    def doubt(self, sensor: str) -> None:
        """It is at fault: what it told of its neighbours so far may be no group at all."""
        if sensor in self._doubted:
            return
        self._doubted.add(sensor)
        for other, _is_first in self._watched.get(sensor, ()):
            if not other.is_silent:
                self.excuse(other.id)

    def believe(self, sensor: str) -> None:
        self._doubted.discard(sensor)

    def silent(self) -> list[Spot]:
        """Return those that a good sensor's luck does not explain."""
        mean = self._hits / self._all
        for name, spot in self._changed.items():
            run = spot.run
            if run and odds_of_silence(spot.hits, spot.misses, run, mean) < ODDS_LEAST:
                spot.is_silent = True
                self._silent[name] = spot
        self._changed.clear()
        return [*self._silent.values()]


def _beside(at: int, count: int) -> tuple[int, int]:
    """Return the neighbours on both sides, or at an end the two nearest."""
    if at == 0:
        return 1, 2
    if at == count - 1:
        return count - 2, count - 3
    return at - 1, at + 1
