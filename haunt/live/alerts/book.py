"""The book of alerts: a fault opens one alert, counts while it lasts, closes when it stays away.

It never grows beyond its bound and writes no more than it must; what found no room is counted.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from haunt.live.alerts.kinds import TERMS, Finding, Kind, Severity, group_of, key_of
from haunt.live.alerts.words import Names, words_of
from haunt.live.ports import AlertRow

OPEN_MAX: Final = 100
SOON_MAX: Final = 80
"""What can wait leaves room for what cannot."""
CLOSED_MAX: Final = 200
COUNT_EVERY_MS: Final = 60_000
"""A count that rose is written down this often, and when the alert closes."""
RECALL_MS: Final = 60_000
"""How long a fault from before a restart has to show itself again."""
RECALL_SLOW_MS: Final = {Kind.STUCK: 150_000, Kind.SILENT: 600_000}
"""Two minutes make a sensor stuck, and some groups a silent one; else they would close and open."""


@dataclass(slots=True, eq=False)
class Alert:
    """Times in `_wall_ms` are for people, the others for hysteresis. `id` 0: not journalled yet."""

    kind: Kind
    subject: str
    since_wall_ms: int
    last_wall_ms: int
    what: str = ""
    todo: str = ""
    id: int = 0
    count: int = 1
    seen_by: str = ""
    seen_wall_ms: int | None = None
    away_ms: int | None = None
    away_wall_ms: int | None = None
    closed_ms: int = 0
    about: tuple[tuple[str, str], ...] | None = None
    total: int = 0
    told_count: int = 0
    told_ms: int = 0

    @property
    def key(self) -> str:
        return key_of(self.kind, self.subject)

    @property
    def severity(self) -> Severity:
        return TERMS[self.kind].severity

    def row(self, state: str) -> AlertRow:
        return AlertRow(
            self.key,
            state,
            self.what,
            alert=self.id,
            todo=self.todo,
            severity=self.severity,
            since_ms=self.since_wall_ms,
            last_ms=self.last_wall_ms,
            count=self.count,
            seen_by=self.seen_by,
            seen_ms=self.seen_wall_ms,
        )


class AlertBook:
    """`dropped` counts faults that found no room, once each time they came."""

    def __init__(self, names: Names) -> None:
        self.dropped = 0
        self._names = names
        self._open: dict[str, Alert] = {}
        self._groups: dict[str, set[str]] = {}
        self._closed: dict[str, Alert] = {}
        self._totals: dict[str, int] = {}
        self._left_out: dict[str, int] = {}
        self._news: list[tuple[Alert, str]] = []
        self._soon = 0

    def __contains__(self, key: str) -> bool:
        """Whether this fault is there now; one that is away and not yet closed is not."""
        found = self._open.get(key)
        return found is not None and found.away_ms is None

    def __len__(self) -> int:
        return len(self._open)

    @property
    def left_out(self) -> int:
        """Faults that are there and have no alert for want of room."""
        return len(self._left_out)

    def open(self) -> list[Alert]:
        """Return the most pressing first, what nobody has seen before what somebody has."""
        return sorted(
            self._open.values(),
            key=lambda each: (
                bool(each.seen_by),
                each.severity is not Severity.NOW,
                each.since_wall_ms,
                each.key,
            ),
        )

    def by_subject(self) -> dict[str, tuple[str, ...]]:
        """Return the kinds of what is open, by board, sensor or prop."""
        found: dict[str, tuple[str, ...]] = {}
        for alert in self._open.values():
            found[alert.subject] = (*found.get(alert.subject, ()), str(alert.kind))
        return found

    def rename(self, names: Names) -> None:
        """Names and places changed: say everything anew."""
        self._names = names
        for alert in self._open.values():
            if alert.about is not None:
                self._say(alert, alert.about)

    # --- faults that come and go

    def settle(self, group: str, findings: Sequence[Finding], mono_ms: int, wall_ms: int) -> None:
        """These are all the faults of a group that are there now; the others of it are away."""
        for finding in findings:
            self.note(finding, mono_ms, wall_ms)
        known = self._groups.get(group)
        if known:
            for key in known - {finding.key for finding in findings}:
                self.away(key, mono_ms, wall_ms)

    def note(self, finding: Finding, mono_ms: int, wall_ms: int) -> None:
        """This fault is there now."""
        key = finding.key
        alert = self._open.get(key) or self._admit(key, finding, mono_ms, wall_ms)
        if alert is None:
            return
        if finding.total is not None:
            alert.count += max(0, finding.total - alert.total)
            alert.total = finding.total
        elif alert.away_wall_ms is not None:
            alert.count += 1
        alert.away_ms = alert.away_wall_ms = None
        alert.last_wall_ms = wall_ms
        if alert.about != finding.about:
            self._say(alert, finding.about)

    def away(self, key: str, mono_ms: int, wall_ms: int) -> None:
        alert = self._open.get(key)
        if alert is not None and alert.away_ms is None:
            alert.away_ms, alert.away_wall_ms = mono_ms, wall_ms
        self._left_out.pop(key, None)

    def _admit(self, key: str, finding: Finding, mono_ms: int, wall_ms: int) -> Alert | None:
        soon = TERMS[finding.kind].severity is Severity.SOON
        if len(self._open) >= OPEN_MAX or (soon and self._soon >= SOON_MAX):
            self._leave_out(key, mono_ms)
            return None
        self._left_out.pop(key, None)
        alert = self._closed.pop(key, None)
        if alert is None:
            alert = Alert(finding.kind, finding.subject, wall_ms, wall_ms)
            alert.total = self._totals.get(key, 0)
            alert.count = 1 if finding.total is None else 0
        self._place(alert)
        alert.told_ms = mono_ms
        self._news.append((alert, "raised"))
        return alert

    def _leave_out(self, key: str, mono_ms: int) -> None:
        if key not in self._left_out:
            if len(self._left_out) >= CLOSED_MAX:
                return
            self.dropped += 1
        self._left_out[key] = mono_ms

    def _place(self, alert: Alert) -> None:
        self._open[alert.key] = alert
        self._groups.setdefault(group_of(alert.kind, alert.subject), set()).add(alert.key)
        self._soon += alert.severity is Severity.SOON

    def _say(self, alert: Alert, about: tuple[tuple[str, str], ...]) -> None:
        alert.about = about
        finding = Finding(alert.kind, alert.subject, about)
        alert.what, alert.todo = words_of(finding, self._names)

    # --- time and people

    def expire(self, mono_ms: int) -> None:
        """Close what has been away long enough; write down counts that rose."""
        for alert in [*self._open.values()]:
            if alert.away_ms is not None and mono_ms - alert.away_ms >= TERMS[alert.kind].close_ms:
                self._close(alert, mono_ms)
            elif alert.count > alert.told_count and mono_ms - alert.told_ms >= COUNT_EVERY_MS:
                alert.told_ms = mono_ms
                self._news.append((alert, "seen" if alert.seen_by else "raised"))
        for key in [k for k, ms in self._left_out.items() if mono_ms - ms > COUNT_EVERY_MS]:
            del self._left_out[key]
        if self._closed:
            self._forget(mono_ms)

    def _close(self, alert: Alert, mono_ms: int) -> None:
        key = alert.key
        del self._open[key]
        self._groups[group_of(alert.kind, alert.subject)].discard(key)
        self._totals[key] = alert.total
        self._soon -= alert.severity is Severity.SOON
        alert.closed_ms = mono_ms
        self._closed[key] = alert
        self._news.append((alert, "cleared"))

    def _forget(self, mono_ms: int) -> None:
        for key, alert in [*self._closed.items()]:
            old = mono_ms - alert.closed_ms > TERMS[alert.kind].again_ms
            if old or len(self._closed) > CLOSED_MAX:
                del self._closed[key]

    def seen(self, alert: int, by: str, wall_ms: int) -> bool:
        """Note who has seen it; the first keeps it. False where no such alert is open."""
        found = next((each for each in self._open.values() if each.id == alert), None)
        if found is None:
            return False
        if not found.seen_by:
            found.seen_by, found.seen_wall_ms = by, wall_ms
            self._news.append((found, "seen"))
        return True

    # --- the journal

    def news(self) -> list[tuple[Alert, str]]:
        """Take out what is to be written down, oldest first."""
        news, self._news = self._news, []
        for alert, _state in news:
            alert.told_count = alert.count
        return news

    def recall(self, kept: Collection[Alert], mono_ms: int) -> None:
        """After a restart: these were open. What is not found again in time closes by itself."""
        for alert in kept:
            if alert.key not in self._open and len(self._open) < OPEN_MAX:
                alert.told_count, alert.told_ms = alert.count, mono_ms
                alert.away_ms = mono_ms + RECALL_SLOW_MS.get(alert.kind, RECALL_MS)
                self._place(alert)


def kept_alerts(rows: Sequence[AlertRow]) -> list[Alert]:
    """Return what the store kept; a kind that is known no more is left where it is."""
    found = []
    for row in rows:
        kind, _, subject = row.key.partition(" ")
        if kind in Kind.__members__.values():
            found.append(
                Alert(
                    Kind(kind),
                    subject,
                    row.since_ms,
                    row.last_ms,
                    row.text,
                    row.todo,
                    row.alert,
                    row.count,
                    row.seen_by,
                    row.seen_ms,
                )
            )
    return found
