"""What a board's own supply part bears: input range, load and heat of carrier and regulator."""

from haunt.study.findings import needs
from haunt.study.findings.ground import FIVE_V_MOST, Ground, Source
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.wire.showlines import Path
from haunt.wire.showmodels import Board
from haunt.workshop import drivers, regulators
from haunt.workshop.band import Band
from haunt.workshop.cautions import Topic
from haunt.workshop.pins import chip_of
from haunt.workshop.regulators import Regulator

LOGIC_MA = 100.0
"""Of a microcontroller that listens, where idle_ma is not given: an assumption."""
RADIO_MA = 500.0
"""What makers ask of the supply of a board with Wi-Fi."""


def checks(ground: Ground) -> Items:
    for board in ground.show.boards:
        source = ground.source(board)
        if source is not None:
            yield from _input(ground, board, source)
            yield from _regulator(ground, board, source)


def _input(ground: Ground, board: Board, source: Source) -> Items:
    """The carrier's own printed range."""
    path = ground.path("board", board.id, "input_max_v")
    if board.input_max_v is not None:
        yield from too_high(board, source, "the carrier", board.input_max_v, None, path)
    if board.input_min_v is not None and source.low < board.input_min_v:
        yield _too_low(ground, board, source, "The carrier", board.input_min_v, "input_min_v")


def too_high(
    board: Board,
    source: Source,
    what: str,
    limit_v: float | None,
    operating_v: float | None,
    path: Path,
) -> Items:
    safe_v = drivers.highest_safe_v(operating_v, limit_v)
    if safe_v is None or source.full <= safe_v:
        return
    most_v = limit_v if limit_v is not None else safe_v
    fresh = "fresh from the charger gives" if source.is_pack else "gives"
    feeder = "pack" if source.is_pack else "supply"
    yield Finding(
        Severity.MUST if source.full > most_v else Severity.SHOULD,
        "input-volts",
        path,
        About("board", board.id),
        f"The {feeder} of {board.id} {fresh} {source.full:.1f} V; {what} is good for {most_v:g} V, "
        f"and to plan with for {safe_v:.1f} V: parts have failed within their printed limit.",
        "Fewer cells, or a part with a higher limit.",
        Figure.of(source.full, safe_v, "V"),
        Topic.FUSE,
    )


def _too_low(
    ground: Ground, board: Board, source: Source, what: str, least_v: float, key: str
) -> Finding:
    return Finding(
        Severity.SHOULD,
        "input-volts-low",
        ground.path("board", board.id, key),
        About("board", board.id),
        f"{what} of {board.id} needs {least_v:g} V; drained under load there are "
        f"{source.low:.1f} V.",
        "One cell more, a part that needs less, or a retire_percent that ends the night earlier.",
        Figure.of(source.low, least_v, "V", at_least=True),
    )


def _regulator(ground: Ground, board: Board, source: Source) -> Items:
    regulator = ground.regulator(board)
    if regulator is None:
        is_raw = board.input_max_v is None and source.nominal > FIVE_V_MOST
        if board.regulator is not None or is_raw:
            yield Unchecked(needs.REGULATOR, About("board", board.id))
        return
    operating_v = regulator.input_v[1] if regulator.input_v is not None else None
    path = ground.path("board", board.id, "regulator")
    name = f"its regulator {regulator.name}"
    yield from too_high(board, source, name, regulator.limit_v, operating_v, path)
    yield from _headroom(ground, board, regulator, source)
    yield from _load(ground, board, regulator)
    yield from _heat(ground, board, regulator, source)


def _headroom(ground: Ground, board: Board, regulator: Regulator, source: Source) -> Items:
    over = regulators.headroom_v(regulator, Band.exact(source.low))
    if over is None or over.at >= 0:
        return
    needs_v = source.low - over.at
    yield Finding(
        Severity.SHOULD,
        "regulator-headroom",
        ground.path("board", board.id, "regulator"),
        About("board", board.id),
        f"The regulator {regulator.name} of {board.id} needs {needs_v:.1f} V; drained under load "
        f"there are {source.low:.1f} V, so its {regulator.output_v:g} V sink.",
        "A regulator that needs less, one cell more, or a retire_percent that ends earlier.",
        Figure.of(source.low, needs_v, "V", at_least=True),
    )


def logic_ma(board: Board) -> float:
    """The logic's own peak: radio sending, and what else hangs on its rail all the time."""
    chip = chip_of(board.model or "")
    radio_ma = chip.wifi_ma if chip is not None and chip.wifi_ma is not None else RADIO_MA
    idle_ma = board.idle_ma if board.idle_ma is not None else LOGIC_MA
    return max(radio_ma, idle_ma)


def _load(ground: Ground, board: Board, regulator: Regulator) -> Items:
    if regulator.limit_ma is None:
        yield Unchecked(needs.REGULATOR, About("board", board.id))
        return
    running = [
        each.motor.running_ma or 0
        for each in ground.props_of(board)
        if each.motor is not None and each.motor.rail == "logic"
    ]
    need_ma = logic_ma(board)
    spare = regulators.spare_ma(regulator.limit_ma, need_ma, *running)
    if spare < 0:
        yield Finding(
            Severity.MUST,
            "regulator-load",
            ground.path("board", board.id, "regulator"),
            About("board", board.id),
            f"The regulator {regulator.name} of {board.id} gives {regulator.limit_ma:.0f} mA; with "
            f"the radio sending {need_ma + sum(running):.0f} mA are asked of it.",
            "A regulator of 1 A or more, and motors on the pack.",
            Figure.of(need_ma + sum(running), regulator.limit_ma, "mA"),
        )


def _heat(ground: Ground, board: Board, regulator: Regulator, source: Source) -> Items:
    if board.idle_ma is None:
        yield Unchecked(needs.IDLE, About("board", board.id))
        return
    rise = regulators.rise_k(regulator, source.full, board.idle_ma)
    if rise is None:
        return
    junction = rise + Band.exact(regulators.BOX_C)
    if junction.at > regulators.HOTTEST_JUNCTION_C:
        watts = regulators.heat_w(regulator, source.full, board.idle_ma).at
        yield Finding(
            Severity.MUST,
            "regulator-heat",
            ground.path("board", board.id, "regulator"),
            About("board", board.id),
            f"The regulator {regulator.name} of {board.id} turns {watts:.1f} W into heat at "
            f"{source.full:.1f} V: its junction gets to {junction.at:.0f} °C, and switches off or "
            "fails.",
            "A switching regulator, fewer cells, or a heat sink by its data sheet.",
            Figure(junction, regulators.HOTTEST_JUNCTION_C, "°C"),
            Topic.FUSE,
        )
