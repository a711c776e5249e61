"""Packs: whether each lasts till close at the visitors who come, and which cooldown would do it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from haunt.core.behaviourrules import may_play
from haunt.core.calendar import HOUR_MS, Calendar, Piece
from haunt.core.clockwork import CalendarSpec
from haunt.study.findings import needs
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import (
    About,
    BehaviourCharge,
    Figure,
    Finding,
    Items,
    PackForecast,
    Severity,
    Unchecked,
    chance,
)
from haunt.study.pieces import pieces_between
from haunt.wire.showmodels import Behaviour, Board, Prop
from haunt.wire.showpower import Battery
from haunt.workshop import capacity
from haunt.workshop.band import Band
from haunt.workshop.cautions import Topic
from haunt.workshop.pack import canonical, cell_volts
from haunt.workshop.runtime import (
    Forecast,
    Play,
    Stretch,
    Turn,
    forecast,
    lasting_cooldown_s,
    sureness,
    taken_mah,
)

INVENTED_GROUPS = Band(40, 20, 80)
SURE, UNSURE = 0.9, 0.5
RESERVE = 0.10
"""Left in a pack whose props name no retire_percent: common practice, no source."""
WORN = 0.8
"""A pack below this much of its printed capacity is replaced: common practice."""


@dataclass(frozen=True, slots=True)
class Hours:
    """One night as pieces of constant rules, each with its hours."""

    pieces: tuple[tuple[float, Piece], ...]

    @property
    def whole_h(self) -> float:
        return sum(hours for hours, _ in self.pieces)


def checks(ground: Ground) -> Items:
    packs = [each for each in ground.show.boards if each.battery is not None]
    if not packs:
        return
    nights = nights_of(ground)
    if not nights:
        yield Unchecked(needs.NIGHT, About("show", ground.show.info.id))
    if ground.show.info.night_low_c is None:
        yield Unchecked(needs.LOW, About("show", ground.show.info.id))
    if ground.show.traffic is None:
        yield Unchecked(needs.TRAFFIC, About("show", ground.show.info.id))
    for board in packs:
        assert board.battery is not None
        yield from _pack(ground, board, board.battery)
        missing = list(_missing(ground, board, board.battery))
        yield from missing
        if not missing and nights:
            yield from _lasting(ground, board, board.battery, nights)


def nights_of(ground: Ground) -> list[Hours]:
    """Every night of the file, cut where its rules change; empty where none has hours."""
    spec: CalendarSpec = ground.prepared.calendar
    found = []
    for night in spec.nights:
        calendar = Calendar(
            replace(spec, nights=(night,)), ground.show.info.time_zone, ground.sunset
        )
        opens = calendar.first_instant(night.date, night.opens)
        whole = None if opens is None else calendar.night_of(opens)
        if whole is None:
            continue
        _, from_ms, until_ms = whole
        pieces = [
            ((min(each.until_ms, until_ms) - max(each.from_ms, from_ms)) / HOUR_MS, each)
            for each in pieces_between(calendar, from_ms, until_ms)
        ]
        found.append(Hours(tuple(pieces)))
    return found


def _pack(ground: Ground, board: Board, battery: Battery) -> Items:
    about = About("board", board.id)
    if canonical(battery.chemistry) == "lead-acid" and battery.series < 3:
        yield Finding(
            Severity.SHOULD,
            "pack-cells",
            ground.path("board", board.id, "battery"),
            about,
            f"The lead-acid battery of {board.id} has series = {battery.series}: that is a battery "
            f"of {2 * battery.series} V.",
            "series counts the 2 V cells: a 12 V battery is series = 6.",
            Figure.of(2.0 * battery.series, 6.0, "V", at_least=True),
        )
    if battery.measured_mah is not None and battery.capacity_mah is not None:
        share = battery.measured_mah / battery.capacity_mah
        if share < WORN:
            yield Finding(
                Severity.NOTE,
                "pack-worn",
                ground.path("board", board.id, "battery", "measured_mah"),
                about,
                f"The pack of {board.id} holds {100 * share:.0f} % of what is printed on it.",
                "Plan with a new one; take this one to disposal.",
                Figure.of(round(100 * share), 100 * WORN, "%", at_least=True),
                Topic.LITHIUM,
            )


def _missing(ground: Ground, board: Board, battery: Battery) -> Items:
    about = About("board", board.id)
    if battery.capacity_mah is None and battery.measured_mah is None:
        yield Unchecked(needs.CAPACITY, about)
    if board.idle_ma is None:
        yield Unchecked(needs.IDLE, about)
    if canonical(battery.chemistry) == "lead-acid" and battery.rate_h is None:
        yield Unchecked(needs.RATE, about)
    for prop in ground.props_of(board):
        if any(each.average_ma is None for each in prop.behaviours):
            yield Unchecked(needs.AVERAGE, About("prop", prop.id))


def _lasting(ground: Ground, board: Board, battery: Battery, nights: Sequence[Hours]) -> Items:
    groups = _groups(ground)
    props = ground.props_of(board)
    idle_ma = (board.idle_ma or 0) + sum(
        each.idle.average_ma or 0 for each in props if each.idle is not None
    )

    def takes_mah(night: Hours, cooldown_s: float | None = None) -> Band:
        stretches = tuple(
            Stretch(hours, tuple(_turn(ground, each, piece, cooldown_s) for each in props))
            for hours, piece in night.pieces
        )
        return taken_mah(stretches, idle_ma, groups)

    worst = max(nights, key=lambda night: takes_mah(night).at)
    takes = takes_mah(worst)
    try:
        gives = gives_mah(ground, board, battery, takes.at / worst.whole_h)
    except ValueError as refused:
        yield Finding(
            Severity.SHOULD,
            "pack-rate",
            ground.path("board", board.id, "battery"),
            About("board", board.id),
            f"No figure is known for the pack of {board.id} under this load or cold: {refused}.",
            "A larger pack, another chemistry, or a pack kept warm.",
            caution=Topic.LITHIUM,
        )
        return
    found = forecast(gives, takes, worst.whole_h)
    yield PackForecast(
        board.id,
        found,
        tuple(
            BehaviourCharge(prop.id, each.id, *_charge(battery, each))
            for prop in props
            for each in prop.behaviours
        ),
        groups,
        tuple(_assumed(ground, battery)),
    )
    if found.sure >= SURE:
        return
    longest_s = max((each.cooldown_ms for each in props), default=0) / 1000
    cooldown_s = lasting_cooldown_s(
        lambda seconds: sureness(gives, takes_mah(worst, seconds)), longest_s, SURE
    )
    yield _short(ground, board, found, cooldown_s)


def _short(ground: Ground, board: Board, found: Forecast, cooldown_s: int | None) -> Finding:
    sure, takes, gives = found.sure, found.takes, found.gives
    invented = ground.show.traffic is None
    mends = (
        f"A cooldown of {cooldown_s} s for its props would make it last (9 in 10)."
        if cooldown_s is not None
        else "No cooldown up to ten minutes makes it last: it idles too long. A larger pack, or a "
        "spare to swap."
    )
    return Finding(
        Severity.MUST if sure < UNSURE and not invented else Severity.SHOULD,
        "pack-lasts",
        ground.path("board", board.id, "battery"),
        About("board", board.id),
        f"The pack of {board.id} lasts till close with P {chance(sure)}: {found.night_h:.1f} h "
        f"take {takes.at:.0f} mAh ({takes.low:.0f} to {takes.high:.0f}), it gives "
        f"{gives.at:.0f} mAh ({gives.low:.0f} to {gives.high:.0f}).",
        mends,
        Figure(found.lasts_h, found.night_h, "h", at_least=True),
        Topic.LITHIUM,
    )


def gives_mah(ground: Ground, board: Board, battery: Battery, mean_ma: float) -> Band:
    """What the pack gives down to its reserve, at the night's mean current and lowest temperature.

    Raises ValueError where no figure is known.
    """
    measured = battery.measured_mah is not None
    printed = battery.measured_mah or battery.capacity_mah or 0.0
    whole = Band.exact(printed * battery.parallel).times(
        capacity.MEASURED if measured else capacity.UNMEASURED
    )
    props = ground.props_of(board)
    retire = max((each.retire_percent or 0 for each in props), default=0) / 100
    share = _rate_share(ground, board, battery, mean_ma)
    cold = capacity.cold_share(battery.chemistry, ground.low_c)
    return whole.times(cold).times(share).scaled(1 - max(RESERVE, retire))


def _rate_share(ground: Ground, board: Board, battery: Battery, mean_ma: float) -> Band:
    """The burst current for the whole time is too dark, the mean too bright: from one to other."""
    bursts = [
        (board.idle_ma or 0) + (each.average_ma or 0)
        for prop in ground.props_of(board)
        for each in prop.behaviours
    ]
    burst_ma = max([mean_ma, *bursts])
    name = canonical(battery.chemistry)
    cell_mah = (battery.measured_mah or battery.capacity_mah or 0.0) * battery.parallel
    if name == "alkaline":
        mean, burst = (capacity.alkaline_share(ma, cell_mah) for ma in (mean_ma, burst_ma))
        return Band(min(1.0, mean.at), burst.low, min(1.0, mean.high))
    if name == "lead-acid" and battery.rate_h is not None:
        exponent = battery.peukert or capacity.FLOODED_EXPONENT
        mean_share, burst_share = (
            min(
                1.0,
                capacity.peukert_hours(cell_mah / 1000, battery.rate_h, ma / 1000, exponent)
                * ma
                / cell_mah,
            )
            for ma in (max(mean_ma, 1e-3), max(burst_ma, 1e-3))
        )
        return Band(mean_share, burst_share, mean_share)
    return Band(1.0, 0.95, 1.0)


def _turn(ground: Ground, prop: Prop, piece: Piece, cooldown_s: float | None) -> Turn:
    seconds = prop.cooldown_ms / 1000 if cooldown_s is None else cooldown_s
    plays = tuple(
        Play(each.weight, each.duration_ms / 1000, each.average_ma or 0.0)
        for each, ruled in zip(prop.behaviours, ground.ruled[prop.id].behaviours, strict=True)
        if prop.id in ground.linked and may_play(ruled, piece)
    )
    return Turn(seconds * piece.cooldown_permille / 1000, plays, prop.hourly_cap)


def _groups(ground: Ground) -> Band:
    traffic = ground.show.traffic
    if traffic is None:
        return INVENTED_GROUPS
    at = traffic.groups_per_hour
    low = traffic.low if traffic.low is not None else at / 2
    high = traffic.high if traffic.high is not None else at * 2
    return Band(at, min(at, low), max(at, high))


def _charge(battery: Battery, behaviour: Behaviour) -> tuple[float, float]:
    play = Play(1.0, behaviour.duration_ms / 1000, behaviour.average_ma or 0.0)
    volts = cell_volts(battery.chemistry).nominal * battery.series
    return play.mah, play.milliwatt_hours(volts)


def _assumed(ground: Ground, battery: Battery) -> list[str]:
    found = []
    if ground.show.traffic is None:
        found.append("an invented 40 groups an hour")
    if ground.show.info.night_low_c is None:
        found.append(f"a night of {ground.low_c:g} °C")
    if battery.measured_mah is None:
        found.append("a pack that holds 75 to 100 % of its print")
    return found
