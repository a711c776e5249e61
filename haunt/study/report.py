"""The report of one night: what came, what was answered, what broke, what to charge and mend."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import NamedTuple

from haunt.core.events import Motion
from haunt.core.show import Show
from haunt.study.visits import Visit, answered, visits

QUARTER_MS = 900_000
BUSIEST = 4
CHARGE_BELOW_PERCENT = 60
"""A pack below this is charged before the next night: common practice, no source."""
SPURIOUS = frozenset({"block-time", "lingering", "already-waiting", "playing"})
"""Refusals of people who did see the prop, as a rule."""


class Span(NamedTuple):
    """The night on the wall clock, in UTC ms, half-open."""

    from_ms: int
    until_ms: int


class DecisionRow(NamedTuple):
    at_ms: int
    source: str
    sensor: str | None
    prop: str | None
    outcome: str
    reason: str | None
    waited_ms: int


class HealthRow(NamedTuple):
    at_ms: int
    board: str
    boot: str
    battery_mv: int | None
    charge_percent: int | None
    reset: str
    motions: Mapping[str, int]


class Told(NamedTuple):
    """An alert, or what a person did: when, and in words."""

    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Rows:
    """What the journal holds of one night. Motions carry the wall clock in both their times."""

    motions: Sequence[Motion]
    decisions: Sequence[DecisionRow]
    health: Sequence[HealthRow]
    alerts: Sequence[Told] = ()
    actions: Sequence[Told] = ()


@dataclass(frozen=True, slots=True)
class PropLine:
    prop: str
    name: str
    visits: int
    answered: int
    fired: int
    refused: int
    lapsed: int
    mean_wait_ms: int
    main_reason: str | None


@dataclass(frozen=True, slots=True)
class BoardLine:
    """`counted` is what the board says of its motions, `journalled` what the journal has."""

    board: str
    first_percent: int | None
    last_percent: int | None
    last_mv: int | None
    starts: int
    brown_outs: int
    counted: int | None
    journalled: int


@dataclass(frozen=True, slots=True)
class Quarter:
    at_ms: int
    motions: int
    fired: int


@dataclass(frozen=True, slots=True)
class NightReport:
    """`groups` is an estimate: the motions of the sensor that saw most, folded into groups."""

    date: str
    span: Span
    motions: int
    fired: int
    refused: int
    lapsed: int
    visits: int
    answered: int
    groups: int
    groups_at: str | None
    refusals: tuple[tuple[str, int], ...]
    quarters: tuple[Quarter, ...]
    props: tuple[PropLine, ...]
    boards: tuple[BoardLine, ...]
    alerts: tuple[Told, ...]
    actions: tuple[Told, ...]
    to_do: tuple[str, ...]

    @property
    def answered_share(self) -> float | None:
        return self.answered / self.visits if self.visits else None

    @property
    def busiest(self) -> tuple[Quarter, ...]:
        ordered = sorted(self.quarters, key=lambda each: (-each.motions, each.at_ms))
        busy = [each for each in ordered[:BUSIEST] if each.motions]
        return tuple(sorted(busy, key=lambda each: each.at_ms))

    def as_json(self) -> dict[str, object]:
        """Return everything as plain values; instants are UTC ms."""
        found: dict[str, object] = asdict(self)
        found["answered_share"] = self.answered_share
        found["busiest"] = [asdict(each) for each in self.busiest]
        return found

    def as_rows(self) -> Iterator[tuple[str, str, str, object]]:
        """Yield (section, name, figure, value): one long table, for a spreadsheet."""
        for figure in ("motions", "fired", "refused", "lapsed", "visits", "answered", "groups"):
            yield "night", self.date, figure, getattr(self, figure)
        for reason, count in self.refusals:
            yield "refusals", reason, "count", count
        for section, lines in (("props", self.props), ("boards", self.boards)):
            for line in lines:
                name, *figures = asdict(line).items()
                for figure, value in figures:
                    yield section, str(name[1]), figure, value
        for quarter in self.quarters:
            yield "quarters", str(quarter.at_ms), "motions", quarter.motions
            yield "quarters", str(quarter.at_ms), "fired", quarter.fired
        for told in self.to_do:
            yield "to do", "", "", told


def night_report(date: str, span: Span, show: Show, rows: Rows) -> NightReport:
    found = visits(rows.motions, show)
    patience = {p.id: max((b.patience_ms for b in p.behaviours), default=0) for p in show.props}
    starts: dict[str, list[int]] = defaultdict(list)
    for each in rows.decisions:
        if each.outcome == "fired" and each.prop is not None:
            starts[each.prop].append(each.at_ms)
    met = answered(found, starts, patience)
    by_motion = [each for each in rows.decisions if each.source == "motion"]
    outcomes = Counter(each.outcome for each in by_motion)
    refusals = Counter(each.reason or "" for each in by_motion if each.outcome == "refused")
    props = tuple(_prop_lines(show, rows.decisions, found, met))
    boards = tuple(_board_lines(show, rows))
    groups_at, groups = _groups(rows.motions, show)
    return NightReport(
        date=date,
        span=span,
        motions=len({(m.board, m.boot, m.seq) for m in rows.motions}),
        fired=outcomes["fired"],
        refused=outcomes["refused"],
        lapsed=outcomes["lapsed"],
        visits=sum(len(each) for each in found.values()),
        answered=sum(sum(each) for each in met.values()),
        groups=groups,
        groups_at=groups_at,
        refusals=tuple(sorted(refusals.items(), key=lambda each: (-each[1], each[0]))),
        quarters=_quarters(span, rows),
        props=props,
        boards=boards,
        alerts=tuple(rows.alerts),
        actions=tuple(rows.actions),
        to_do=tuple(_to_do(props, boards)),
    )


def _prop_lines(
    show: Show,
    decisions: Iterable[DecisionRow],
    found: Mapping[str, list[Visit]],
    met: Mapping[str, list[bool]],
) -> Iterable[PropLine]:
    mine: dict[str, list[DecisionRow]] = defaultdict(list)
    for each in decisions:
        if each.prop is not None:
            mine[each.prop].append(each)
    for prop in show.props:
        rows = mine[prop.id]
        outcomes = Counter(each.outcome for each in rows)
        told = Counter(
            each.reason for each in rows if each.outcome != "fired" and each.reason not in SPURIOUS
        )
        waited = [each.waited_ms for each in rows if each.outcome == "fired"]
        yield PropLine(
            prop.id,
            prop.name,
            len(found[prop.id]),
            sum(met[prop.id]),
            outcomes["fired"],
            outcomes["refused"],
            outcomes["lapsed"],
            sum(waited) // len(waited) if waited else 0,
            told.most_common(1)[0][0] if told else None,
        )


def _board_lines(show: Show, rows: Rows) -> Iterable[BoardLine]:
    by_board: dict[str, list[HealthRow]] = defaultdict(list)
    for each in rows.health:
        by_board[each.board].append(each)
    journalled = Counter((m.board, m.boot) for m in rows.motions)
    for board in show.boards:
        mine = by_board[board.id]
        boots = {each.boot: each for each in mine}  # the last word of each boot
        first = {each.boot: each for each in reversed(mine)}
        charges = [e.charge_percent for e in mine if e.charge_percent is not None]
        counted = [
            sum(last.motions.values()) - sum(first[boot].motions.values())
            for boot, last in boots.items()
        ]
        yield BoardLine(
            board.id,
            charges[0] if charges else None,
            charges[-1] if charges else None,
            mine[-1].battery_mv if mine else None,
            max(0, len(boots) - 1),
            sum(1 for each in list(boots.values())[1:] if each.reset == "brown-out"),
            sum(counted) if mine else None,
            sum(n for (b, _), n in journalled.items() if b == board.id),
        )


def _groups(motions: Sequence[Motion], show: Show) -> tuple[str | None, int]:
    """Fold the motions of each sensor into groups; the one that saw most tells of the night."""
    best: tuple[str | None, int] = (None, 0)
    for sensor in show.sensors:
        own = [each for each in motions if each.sensor == sensor.id]
        if not sensor.links:
            continue
        prop = sensor.links[0].prop
        count = len(visits(own, show)[prop])
        if count > best[1]:
            best = sensor.id, count
    return best


def _quarters(span: Span, rows: Rows) -> tuple[Quarter, ...]:
    moved = Counter((m.wall_ms - span.from_ms) // QUARTER_MS for m in rows.motions)
    fired = Counter(
        (d.at_ms - span.from_ms) // QUARTER_MS for d in rows.decisions if d.outcome == "fired"
    )
    count = -(-(span.until_ms - span.from_ms) // QUARTER_MS)
    return tuple(Quarter(span.from_ms + n * QUARTER_MS, moved[n], fired[n]) for n in range(count))


def _to_do(props: Iterable[PropLine], boards: Iterable[BoardLine]) -> Iterable[str]:
    """Say what to charge and mend before the next night."""
    for board in boards:
        if board.last_percent is not None and board.last_percent < CHARGE_BELOW_PERCENT:
            yield f"Charge the pack of {board.board}: {board.last_percent} % at the end."
        if board.brown_outs:
            yield (
                f"Look at the supply of {board.board}: it restarted from low voltage "
                f"{_count(board.brown_outs, 'time')}."
            )
        elif board.starts:
            yield f"Find out why {board.board} restarted {_count(board.starts, 'time')}."
        if board.counted is not None and board.counted > board.journalled:
            yield (
                f"Check the Wi-Fi of {board.board}: it counted {board.counted} motions, "
                f"the journal has {board.journalled}."
            )
        if board.counted is None:
            yield f"{board.board} was never heard of: check its power and credential."
    for prop in props:
        if prop.visits and not prop.answered:
            reason = f", mostly {prop.main_reason}" if prop.main_reason else ""
            yield f"{prop.name} answered none of {_count(prop.visits, 'group')}{reason}."
        elif not prop.visits:
            yield f"{prop.name} had no visitors: check its sensor."


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
