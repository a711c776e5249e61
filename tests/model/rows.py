"""The timetable: rows at a minute are found on the clock, rows of every so often are checked."""

from dataclasses import dataclass, field
from datetime import timedelta

from haunt.core.clockwork import Timetable
from haunt.core.decisions import Decision, Source
from tests.model import hours
from tests.model.past import FOREVER
from tests.model.verdicts import Verdicts

LATE_MAX_MS, STEP_MS = 3000, 1000


@dataclass(slots=True)
class Rows(Verdicts):
    """`plan` has the next minute of each row at one, `mark` when another kind came last."""

    plan: dict[int, int] = field(default_factory=dict)
    mark: dict[int, int] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def plan_rows(self) -> None:
        self.plan = {}
        self.mark = {}
        for row in self.show.timetable:
            self.plan_row(row, self.now + self.offset)

    def plan_row(self, row: Timetable, wall: int) -> None:
        self.plan.pop(row.row, None)
        if row.at is not None:
            today = hours.reading(self.show.time_zone, wall).date()
            days = [today + timedelta(days=n) for n in range(-1, 3)]
            instants = [hours.first(self.show.time_zone, day, row.at.minutes) for day in days]
            self.plan[row.row] = min(each for each in instants if each >= wall)
        else:
            self.mark[row.row] = self.now

    def ordered(self) -> list[Decision]:
        """Return what rows of every so often brought, as told from outside."""
        rows = {row.prop for row in self.show.timetable if row.at is None}
        decisions = [each for each in self.given if isinstance(each, Decision)]
        return [e for e in decisions if e.source is Source.TIMETABLE and e.prop in rows]

    def ring_row(self, row: Timetable) -> None:
        wall = self.now + self.offset
        due, cue = self.plan.get(row.row, FOREVER), f"t-{row.row}-{wall // 60_000}"
        if due <= wall:
            self.plan_row(row, max(due + 1, wall))
            cue = f"t-{row.row}-{due // 60_000}"
            come = wall - due <= LATE_MAX_MS and self.people_allow(row)
        else:
            told = [(each.prop, each.at_ms) for each in self.ordered()]
            come = row.at is None and (row.prop, self.now) in told
            self.check_dice(row, come=come)
        if come:
            item = self.item(row.prop, Source.TIMETABLE, self.now, cue)
            item.wanted = row.behaviour
            self.agenda.append(item)

    def check_dice(self, row: Timetable, *, come: bool) -> None:
        """Every so often is neither too often nor, where people have no say, too seldom."""
        if row.at is not None:
            return
        since = self.now - self.mark[row.row]
        always = row.only_after_motion_ms is None and row.only_after_quiet_ms is None
        late = always and since > row.every_max_ms + STEP_MS
        if late or (come and not (since > row.every_min_ms - STEP_MS and self.people_allow(row))):
            self.troubles.append(f"row {row.row} after {since} ms at {self.now}")
        if come:
            self.mark[row.row] = self.now

    def people_allow(self, row: Timetable) -> bool:
        feeders = [s for s in self.show.sensors if any(e.prop == row.prop for e in s.links)]
        since = self.now - max([self.last_seen(each) for each in feeders], default=-FOREVER)
        lately, quiet = row.only_after_motion_ms, row.only_after_quiet_ms
        return (lately is None or since <= lately) and (quiet is None or since >= quiet)
