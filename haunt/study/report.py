"""The report of one night: what came, what was answered, what broke, what to charge and mend."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Final

from haunt.core.show import Show
from haunt.live.why.words import count
from haunt.study.nightfacts import DecisionRow, HealthRow, Rows, Span, Told
from haunt.study.passers import Crowd, crowd
from haunt.study.tallies import QUARTER_MS, share_of
from haunt.study.visits import Visit, folded, once, visits, waits, while_on
from haunt.study.walks import StopCount, Walks, walks

BUSIEST = 4
CHARGE_BELOW_PERCENT = 60
"""A pack below this is charged before the next night: common practice, no source."""
BETWEEN_LEAST: Final = 10
SEEN_LEAST: Final = 0.7
"""A sensor that sees fewer of those who pass is worth a look: common practice, no source."""
SPURIOUS = frozenset({"block-time", "lingering", "already-waiting", "playing"})
"""Refusals of people who did see the prop, as a rule."""


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
    """`groups` were counted by the sensor that saw most; `crowd` says how many passed it.

    `walks` follows them along the path, where the show file has one. `starts_ms` are starts of the
    controller in that night.
    """

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
    crowd: Crowd = field(default_factory=Crowd)
    walks: Walks | None = None
    mean_wait_ms: int = 0
    starts_ms: tuple[int, ...] = ()

    @property
    def answered_share(self) -> float | None:
        return share_of(self.answered, self.visits)

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
        yield "night", self.date, "mean_wait_ms", self.mean_wait_ms
        yield "night", self.date, "controller_starts", len(self.starts_ms)
        yield from self._crowd_rows()
        for reason, times in self.refusals:
            yield "refusals", reason, "count", times
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

    def _crowd_rows(self) -> Iterator[tuple[str, str, str, object]]:
        if self.crowd.people is not None:
            yield "night", self.date, "people", self.crowd.people
        for estimate in self.crowd.estimates:
            yield "sensors", estimate.sensor, "counted", estimate.counted
            for figure in ("at", "low", "high"):
                groups = estimate.groups
                value = None if groups is None else round(getattr(groups, figure), 1)
                yield "sensors", estimate.sensor, f"passed_{figure}", value


Path = Sequence[tuple[str, float]]
"""Sensors along the path, with metres from the entrance."""


def night_report(date: str, span: Span, show: Show, rows: Rows, path: Path = ()) -> NightReport:
    came = while_on(rows.motions, rows.decisions)
    found = visits(came, show)
    patience = {p.id: max((b.patience_ms for b in p.behaviours), default=0) for p in show.props}
    starts: dict[str, list[int]] = defaultdict(list)
    for each in rows.decisions:
        if each.outcome == "fired" and each.prop is not None:
            starts[each.prop].append(each.at_ms)
    waited = waits(found, starts, patience)
    met = {prop: [each for each in mine if each is not None] for prop, mine in waited.items()}
    waited_ms = [each for mine in met.values() for each in mine]
    by_motion = [each for each in rows.decisions if each.source == "motion"]
    outcomes = Counter(each.outcome for each in by_motion)
    refusals = Counter(each.reason or "" for each in by_motion if each.outcome == "refused")
    props = tuple(_prop_lines(show, rows.decisions, found, met))
    boards = tuple(_board_lines(show, rows))
    passed = crowd(came, show, span.from_ms, span.until_ms)
    walked = _walks(rows, path) if len(path) > 1 else None
    return NightReport(
        date=date,
        span=span,
        motions=len({(m.board, m.boot, m.seq) for m in rows.motions}),
        fired=outcomes["fired"],
        refused=outcomes["refused"],
        lapsed=outcomes["lapsed"],
        visits=sum(len(each) for each in found.values()),
        answered=len(waited_ms),
        groups=passed.best.counted if passed.best is not None else 0,
        groups_at=passed.best.sensor if passed.best is not None else None,
        refusals=tuple(sorted(refusals.items(), key=lambda each: (-each[1], each[0]))),
        quarters=_quarters(span, rows),
        props=props,
        boards=boards,
        alerts=tuple(rows.alerts),
        actions=tuple(rows.actions),
        to_do=tuple(_to_do(props, boards, walked)),
        crowd=passed,
        walks=walked,
        mean_wait_ms=_mean(waited_ms),
        starts_ms=tuple(rows.starts_ms),
    )


def _walks(rows: Rows, path: Path) -> Walks:
    seen: dict[str, list[int]] = {sensor: [] for sensor, _ in path}
    for each in once(rows.motions):
        if each.sensor in seen:
            seen[each.sensor].append(each.mono_ms - each.age_ms)
    return walks(path, [folded(sorted(seen[sensor])) for sensor, _ in path])


def _prop_lines(
    show: Show,
    decisions: Iterable[DecisionRow],
    found: Mapping[str, list[Visit]],
    met: Mapping[str, list[int]],
) -> Iterable[PropLine]:
    """`met` has of each prop how long every answered group stood there before something began."""
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
        yield PropLine(
            prop.id,
            prop.name,
            len(found[prop.id]),
            len(met[prop.id]),
            outcomes["fired"],
            outcomes["refused"],
            outcomes["lapsed"],
            _mean(met[prop.id]),
            told.most_common(1)[0][0] if told else None,
        )


def _mean(waited_ms: list[int]) -> int:
    return sum(waited_ms) // len(waited_ms) if waited_ms else 0


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


def _quarters(span: Span, rows: Rows) -> tuple[Quarter, ...]:
    moved = Counter((m.wall_ms - span.from_ms) // QUARTER_MS for m in rows.motions)
    fired = Counter(
        (d.at_ms - span.from_ms) // QUARTER_MS for d in rows.decisions if d.outcome == "fired"
    )
    count = -(-(span.until_ms - span.from_ms) // QUARTER_MS)
    return tuple(Quarter(span.from_ms + n * QUARTER_MS, moved[n], fired[n]) for n in range(count))


def _to_do(
    props: Iterable[PropLine], boards: Iterable[BoardLine], walked: Walks | None
) -> Iterable[str]:
    """Say what to charge and mend before the next night."""
    yield from _of_boards(boards)
    for prop in props:
        if prop.visits and not prop.answered:
            reason = f", mostly {prop.main_reason}" if prop.main_reason else ""
            yield f"{prop.name} answered none of {count(prop.visits, 'group')}{reason}."
        elif not prop.visits:
            yield f"{prop.name} had no visitors: check its sensor."
    for stop in walked.stops if walked is not None else ():
        if _overlooks(stop):
            yield (
                f"Look at the aim of {stop.sensor}: it saw {stop.seen} of {stop.between} groups "
                "that were seen before it and after it."
            )


def _overlooks(stop: StopCount) -> bool:
    return stop.between >= BETWEEN_LEAST and stop.seen < SEEN_LEAST * stop.between


def _of_boards(boards: Iterable[BoardLine]) -> Iterable[str]:
    for board in boards:
        if board.last_percent is not None and board.last_percent < CHARGE_BELOW_PERCENT:
            yield f"Charge the pack of {board.board}: {board.last_percent} % at the end."
        if board.brown_outs:
            yield (
                f"Look at the supply of {board.board}: it restarted from low voltage "
                f"{count(board.brown_outs, 'time')}."
            )
        elif board.starts:
            yield f"Find out why {board.board} restarted {count(board.starts, 'time')}."
        if board.counted is not None and board.counted > board.journalled:
            yield (
                f"Check the Wi-Fi of {board.board}: it counted {board.counted} motions, "
                f"the journal has {board.journalled}."
            )
        if board.counted is None:
            yield f"{board.board} was never heard of: check its power and credential."
