"""One night as a line of figures, to be held against other nights."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from haunt.study.report import NightReport
from haunt.study.tallies import share_of
from haunt.workshop.band import Band

RAISED = "raised"


@dataclass(frozen=True, slots=True)
class NightLine:
    """`passed` are groups at the sensor that saw most; None where it cannot be told.

    `least_percent` is the lowest pack at the end, `busiest_ms` the quarter hour with most motions.
    """

    date: str
    motions: int
    counted: int
    passed: Band | None
    people: int | None
    visits: int
    answered: int
    fired: int
    mean_wait_ms: int
    faults: int
    restarts: int
    brown_outs: int
    least_percent: int | None
    busiest_ms: int | None

    @property
    def share(self) -> float | None:
        return share_of(self.answered, self.visits)


def line_of(report: NightReport) -> NightLine:
    best = report.crowd.best
    percents = [b.last_percent for b in report.boards if b.last_percent is not None]
    busiest = max(report.quarters, key=lambda each: each.motions, default=None)
    return NightLine(
        report.date,
        report.motions,
        report.groups,
        best.groups if best is not None else None,
        report.crowd.people,
        report.visits,
        report.answered,
        report.fired,
        report.mean_wait_ms,
        sum(1 for each in report.alerts if each.text.startswith(RAISED)),
        sum(each.starts for each in report.boards),
        sum(each.brown_outs for each in report.boards),
        min(percents, default=None),
        busiest.at_ms if busiest is not None and busiest.motions else None,
    )


def against(night: NightLine, earlier: Sequence[NightLine]) -> str:
    """Say in a sentence how a night did beside the mean of earlier ones; empty without any."""
    before = [each.share for each in earlier if each.share is not None]
    if night.share is None or not before:
        return ""
    mean, points = fmean(before), 100 * (night.share - fmean(before))
    nights = "the night before" if len(before) == 1 else f"{len(before)} nights before"
    how = "as many as" if abs(points) < 1 else f"{abs(points):.0f} points "
    how += "" if abs(points) < 1 else "more than" if points > 0 else "fewer than"
    return f"It answered {night.share:.0%} of visits, {how} {nights} ({mean:.0%})."
