"""What pages say of a night's visitors, and of nights beside each other."""

from collections.abc import Sequence
from typing import NamedTuple

from haunt.live.why.words import TellTime
from haunt.study.nightline import NightLine
from haunt.study.passers import Estimate, Slice
from haunt.study.report import NightReport
from haunt.study.walks import StopCount
from haunt.workshop.band import Band


class Passed(NamedTuple):
    """How many groups passed, for the head of a report."""

    said: str
    why: str


class SensorRow(NamedTuple):
    sensor: str
    counted: int
    passed: str
    dead: str
    overlooked: str
    note: str


class HourRow(NamedTuple):
    clock: str
    counted: int
    clear: str
    rate: str
    fits: str
    told: str


def passed_of(report: NightReport) -> Passed:
    best = report.crowd.best
    if best is None:
        return Passed("nobody", "")
    if best.groups is None:
        why = f"{best.sensor} was hardly ever clear: how many more passed cannot be told"
        return Passed(f"{best.counted} or more", why)
    return Passed(
        _band(best.groups), f"{best.sensor} counted {best.counted}; the rest came while it rested"
    )


def sensor_rows(report: NightReport) -> list[SensorRow]:
    stops = {} if report.walks is None else {each.sensor: each for each in report.walks.stops}
    return [_sensor_row(each, stops.get(each.sensor)) for each in report.crowd.estimates]


def _sensor_row(of: Estimate, stop: StopCount | None) -> SensorRow:
    overlooked = ""
    if stop is not None and stop.between:
        overlooked = f"{stop.between - stop.seen} of {stop.between}"
    untold = len(of.untold)
    note = "" if not untold else f"cannot be told in {untold} half hours"
    passed = "cannot be told" if of.groups is None else _band(of.groups)
    rests = f"{of.dead_ms / 1000:g} s{' from the last motion' if of.extends else ''}"
    return SensorRow(of.sensor, of.counted, passed, rests, overlooked, note)


def hour_rows(of: Estimate, clock: TellTime) -> list[HourRow]:
    """Say half hour by half hour what one sensor's count may mean; those with nobody left out."""
    return [_hour_row(each, clock) for each in of.slices if each.counted]


def _hour_row(of: Slice, clock: TellTime) -> HourRow:
    fits = " or ".join(_band(each) for each in of.fits) or "more than it can count"
    rate = "cannot be told" if of.rate is None else _band(of.rate)
    told = "one only" if len(of.fits) == 1 else _which(of)
    clear = f"{of.clear_ms / of.lasts_ms:.0%}"
    return HourRow(clock(of.at_ms), of.counted, clear, rate, fits, told)


def _which(of: Slice) -> str:
    if not of.told or of.rate is None:
        return "which of the two cannot be told"
    few = len(of.fits) == 2 and abs(of.rate.at - of.fits[0].at) < abs(of.rate.at - of.fits[1].at)
    return "few, by the time it was clear" if few else "many, by the time it was clear"


def _band(of: Band) -> str:
    at, low, high = (f"{each:.0f}" for each in (of.at, of.low, of.high))
    return at if low == at == high else f"{at} ({low} to {high})"


class LineRow(NamedTuple):
    """One night beside others."""

    date: str
    passed: str
    answered: str
    wait: str
    busiest: str
    faults: str
    pack: str
    people: str


def line_rows(lines: Sequence[NightLine], clock: TellTime) -> list[LineRow]:
    return [
        LineRow(
            each.date,
            f"{each.counted} or more" if each.passed is None else f"{each.passed.at:.0f}",
            "" if each.share is None else f"{each.share:.0%} of {each.visits}",
            f"{each.mean_wait_ms / 1000:.1f} s",
            "" if each.busiest_ms is None else clock(each.busiest_ms),
            f"{each.faults}, {each.restarts} restarts",
            "" if each.least_percent is None else f"{each.least_percent} %",
            "" if each.people is None else str(each.people),
        )
        for each in lines
    ]
