"""How many groups passed: counted motions, put right for the time in which a sensor sees no other.

After a group a sensor is blind to the next: until its block time is over, or until it has been
clear for a while, which everybody in front of it puts off. Who comes by chance comes in that time
as often as in any other, and so can be added. Groups that keep together are counted as one.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import log, sqrt
from typing import Final

from haunt.core.calendar import HOUR_MS
from haunt.core.events import Motion
from haunt.core.show import SensorSpec, Show
from haunt.study.visits import APART_MS, NOT_FIRING, Visit, folded, once
from haunt.workshop.band import NINETEEN_OF_TWENTY, Band
from haunt.workshop.deadtime import groups_from_rearmed, groups_from_starts

SLICE_MS: Final = 1_800_000
CLEAR_LEAST: Final = 0.02
"""A sensor that was clear for less than this share of the time tells nothing of who came."""
Count = tuple[int, int, int, int]
"""A half hour: when it begins, how long it is, groups counted, and for how long it was clear."""


@dataclass(frozen=True, slots=True)
class Slice:
    """One half hour of one sensor. Rates are groups an hour.

    `clear_ms` is the time in which the next group would have been counted. `fits` are the rates
    that fit the count alone: one, or two where everybody extends the dead time (`fits` is empty
    where none does). `rate` goes by the clear time; None where the sensor was never clear.
    """

    at_ms: int
    lasts_ms: int
    counted: int
    clear_ms: int
    rate: Band | None
    fits: tuple[Band, ...] = ()
    told: bool = True

    @property
    def hours(self) -> float:
        return self.lasts_ms / HOUR_MS

    @property
    def missed(self) -> float:
        """Groups that came while the sensor was blind, in the mean."""
        blind_h = (self.lasts_ms - self.clear_ms) / HOUR_MS
        return self.rate.at * blind_h if self.rate is not None else 0.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """Groups that passed one sensor in a night; None where it cannot be told.

    `dead_ms` is its dead time, `extends` whether everybody in front of it puts off its end.
    """

    sensor: str
    dead_ms: int
    extends: bool
    motions: int
    counted: int
    groups: Band | None
    slices: tuple[Slice, ...]

    @property
    def untold(self) -> tuple[Slice, ...]:
        """Half hours in which few groups and many fit the count as well."""
        return tuple(each for each in self.slices if not each.told)


@dataclass(frozen=True, slots=True)
class Crowd:
    """Who passed in a night: by each sensor, by the one to go by, and by a greeter's button."""

    estimates: tuple[Estimate, ...] = ()
    best: Estimate | None = None
    people: int | None = None


def crowd(motions: Iterable[Motion], show: Show, from_ms: int, until_ms: int) -> Crowd:
    """Estimate from the motions within a span (by the clock that they carry as `mono_ms`)."""
    by_sensor: dict[str, list[int]] = {sensor.id: [] for sensor in show.sensors}
    for each in once(motions):
        at_ms = each.mono_ms - each.age_ms
        if each.sensor in by_sensor and from_ms <= at_ms < until_ms:
            by_sensor[each.sensor].append(at_ms)
    found = tuple(
        estimate(spec, sorted(by_sensor[spec.id]), from_ms, until_ms)
        for spec in show.sensors
        if spec.action not in NOT_FIRING and spec.links
    )
    counting = [spec.id for spec in show.sensors if spec.action == "count"]
    people = sum(len(by_sensor[each]) for each in counting) if counting else None
    # Those further on see only who has come so far: the sensor that saw most speaks for the night.
    best = max(found, key=lambda e: (e.groups is not None, e.counted), default=None)
    return Crowd(found, best if best is not None and best.counted else None, people)


def estimate(spec: SensorSpec, instants: Sequence[int], from_ms: int, until_ms: int) -> Estimate:
    """Put one sensor's count right. `instants` are its motions in order, within the span."""
    fold_ms = max(spec.lull_ms or 0, APART_MS)
    extends = fold_ms >= spec.block_ms
    dead_ms = fold_ms if extends else spec.block_ms
    groups = folded(instants, fold_ms) if extends else blocked(instants, spec.block_ms)
    counts = list(_slices(groups, dead_ms, from_ms, until_ms))
    dead_s = _mean_dead_s(counts, dead_ms / 1000) if extends else dead_ms / 1000
    slices = tuple(_judged(*each, dead_s, extends=extends) for each in counts)
    told = _passed(slices)
    return Estimate(spec.id, dead_ms, extends, len(instants), len(groups), told, slices)


def blocked(instants: Sequence[int], block_ms: int) -> list[Visit]:
    """Take a motion, and none until the block time after it is over."""
    found: list[Visit] = []
    for at_ms in instants:
        if found and at_ms - found[-1].first_ms < block_ms:
            found[-1] = found[-1]._replace(motions=found[-1].motions + 1)
        else:
            found.append(Visit(at_ms, at_ms, 1))
    return found


def _slices(groups: Sequence[Visit], dead_ms: int, from_ms: int, until_ms: int) -> Iterator[Count]:
    """Yield (begin, length, groups counted, time clear) of each half hour, the last one shorter."""
    at = 0
    for begin in range(from_ms, until_ms, SLICE_MS):
        end = min(begin + SLICE_MS, until_ms)
        while at < len(groups) and groups[at].last_ms + dead_ms <= begin:
            at += 1
        counted, busy, n = 0, 0, at
        while n < len(groups) and groups[n].first_ms < end:
            counted += groups[n].first_ms >= begin
            busy += min(end, groups[n].last_ms + dead_ms) - max(begin, groups[n].first_ms)
            n += 1
        yield begin, end - begin, counted, end - begin - busy


def _mean_dead_s(counts: Sequence[Count], least_s: float) -> float:
    """Return how long one group keeps the sensor blind: its stay and the fold.

    A sensor is clear for exp(-n tau) of the time, and n follows from who came while it was.
    """
    known = [each for each in counts if each[2] and each[3] >= CLEAR_LEAST * each[1]]
    came = sum(counted * lasts / clear for _, lasts, counted, clear in known)
    blind = sum(-log(clear / lasts) * lasts for _, lasts, _, clear in known)
    return max(least_s, blind / came / 1000) if came else least_s


def _judged(
    at_ms: int, lasts_ms: int, counted: int, clear_ms: int, dead_s: float, *, extends: bool
) -> Slice:
    hours = lasts_ms / HOUR_MS
    fits = _fits(counted, hours, dead_s, extends=extends)
    if clear_ms < CLEAR_LEAST * lasts_ms:
        return Slice(at_ms, lasts_ms, counted, clear_ms, None, fits, told=False)
    rate = groups_from_starts(counted, clear_ms / HOUR_MS, 0.0)
    top = 3600 / dead_s
    told = not extends or counted == 0 or rate.high < top or rate.low > top
    return Slice(at_ms, lasts_ms, counted, clear_ms, rate, fits, told)


def _fits(counted: int, hours: float, dead_s: float, *, extends: bool) -> tuple[Band, ...]:
    """Return the rates that fit a count if nothing else is known of it."""
    try:
        if not extends:
            return (groups_from_starts(counted, hours, dead_s),)
        return groups_from_rearmed(counted, hours, dead_s) if counted else ()
    except ValueError:  # more than chance would bring past such a dead time
        return ()


def _passed(slices: Sequence[Slice]) -> Band | None:
    """Add up who was counted and who was not; the range is chance in those who were not.

    Those who came while it was blind are a Poisson count, of a rate that is itself estimated.
    """
    if any(each.rate is None for each in slices):
        return None
    counted = sum(each.counted for each in slices)
    missed = sum(each.missed for each in slices)
    variance = sum(
        (each.missed or _one_more(each)) * each.lasts_ms / each.clear_ms for each in slices
    )
    off = NINETEEN_OF_TWENTY * sqrt(variance)
    at = counted + missed
    return Band(at, max(float(counted), at - off), at + off)


def _one_more(of: Slice) -> float:
    """Where nobody was counted somebody may still have come while it was blind."""
    return (of.lasts_ms - of.clear_ms) / of.lasts_ms
