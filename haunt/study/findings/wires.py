"""The wire from pack or supply to a board: volts lost, and the fuse that protects it."""

from haunt.study.findings import needs
from haunt.study.findings.ground import Ground, Source, peak_ma, wire_mm2, wire_ohm
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.wire.showlines import Path
from haunt.wire.showmodels import Board
from haunt.workshop import wire
from haunt.workshop.cautions import Topic

DROP_SHARE = 0.1
"""More of the volts than this in the wire is too much: common practice, no source."""


def checks(ground: Ground) -> Items:
    for board in ground.show.boards:
        source = ground.source(board)
        if source is not None:
            yield from _wire(ground, board, source)


def _wire(ground: Ground, board: Board, source: Source) -> Items:
    fuse_a, fuse_path = _fuse(ground, board)
    ohm = wire_ohm(board)
    area_mm2 = None if board.wire is None else wire_mm2(board.wire)
    about = About("board", board.id)
    if fuse_a is None and (board.battery is not None or ohm is not None):
        yield Unchecked(needs.FUSE, about)
    if ohm is None or area_mm2 is None:
        if board.wire is not None or ground.moving(board):
            yield Unchecked(needs.WIRE, about)
        return
    peaks = [peak_ma(each) for prop in ground.props_of(board) for each in prop.behaviours]
    known = [each for each in peaks if each is not None]
    if not known:
        yield Unchecked(needs.PEAK, about)
    else:
        yield from _drop(ground, board, source, ((board.idle_ma or 0) + max(known)) / 1000)
    if fuse_a is None:
        return
    try:
        most_a = wire.largest_fuse_a(area_mm2)
    except ValueError:
        most_a = 0.0
    if fuse_a > most_a:
        yield Finding(
            Severity.MUST,
            "fuse-wire",
            fuse_path,
            about,
            f"The fuse of {fuse_a:g} A lets the {area_mm2:.2f} mm2 wire of {board.id} burn before "
            f"it blows: such wire is fused at {most_a:g} A at most.",
            "A smaller fuse, or thicker wire all the way from the fuse.",
            Figure.of(fuse_a, most_a, "A"),
            Topic.FUSE,
        )


def _fuse(ground: Ground, board: Board) -> tuple[float | None, Path]:
    if board.battery is not None:
        return board.battery.fuse_a, ground.path("board", board.id, "battery", "fuse_a")
    supply = ground.supplies.get(board.supply or "")
    if supply is None:
        return None, ground.path("board", board.id)
    return supply.fuse_a, ground.path("supply", supply.id, "fuse_a")


def _drop(ground: Ground, board: Board, source: Source, current_a: float) -> Items:
    ohm, run = wire_ohm(board), board.wire
    assert ohm is not None
    assert run is not None
    drop = ohm.scaled(current_a)
    most_v = DROP_SHARE * source.nominal
    if drop.at > most_v:
        least = wire.least_area_mm2(run.length_m, current_a, most_v)
        yield Finding(
            Severity.SHOULD,
            "wire-drop",
            ground.path("board", board.id, "wire"),
            About("board", board.id),
            f"At {current_a:.1f} A the wire to {board.id} keeps {drop.at:.1f} V of "
            f"{source.nominal:.1f} V.",
            f"Copper of {least:.2f} mm2 or more, or a shorter run.",
            Figure(drop, most_v, "V"),
        )
