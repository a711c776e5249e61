"""Motors behind their drivers: volts, current, heat, and whether a stall restarts the board."""

from haunt.study.findings import needs
from haunt.study.findings.ground import FIVE_V_MOST, Ground, Source, wire_ohm
from haunt.study.findings.inputs import logic_ma, too_high
from haunt.study.findings.kinds import About, Figure, Finding, Items, Severity, Unchecked
from haunt.wire.showlines import Path
from haunt.wire.showmodels import Board, Prop
from haunt.wire.showpower import Motor
from haunt.workshop import drivers, regulators
from haunt.workshop.band import Band
from haunt.workshop.cautions import Topic
from haunt.workshop.drivers import Driver

WEAK_SHARE, STRONG_SHARE = 0.8, 1.25
"""Of a motor's rated volts. Common practice, no source."""


def checks(ground: Ground) -> Items:
    for board in ground.show.boards:
        source = ground.source(board)
        if source is not None:
            for prop in ground.moving(board):
                yield from _motor(ground, board, prop, source)


def _motor(ground: Ground, board: Board, prop: Prop, source: Source) -> Items:
    motor, about = prop.motor, About("prop", prop.id)
    if motor is None or motor.running_ma is None or motor.volts is None:
        yield Unchecked(needs.MOTOR, about)
    if motor is None or motor.stall_ma is None:
        yield Unchecked(needs.STALL, about)
    else:
        yield from _stall(ground, board, prop, motor, source)
    driver = ground.driver(board)
    if driver is None:
        yield Unchecked(needs.DRIVER, About("board", board.id))
        return
    if motor is not None:
        yield from _bridge(ground, board, prop, driver, source)


def _bridge(ground: Ground, board: Board, prop: Prop, driver: Driver, source: Source) -> Items:
    motor = prop.motor
    assert motor is not None
    path = ground.path("board", board.id, "driver")
    operating_v = driver.volts[1] if driver.volts is not None else None
    name = f"the driver {driver.name}"
    if motor.rail == "pack":
        yield from too_high(board, source, name, driver.volts_limit, operating_v, path)
    yield from _current(prop, driver, motor, path)
    if motor.running_ma is None:
        return
    running_a = motor.running_ma / 1000
    if driver.amps is not None and running_a > driver.amps:
        return  # beyond its table: the finding on its current says so
    if driver.ohm is None and not driver.saturation:
        yield Unchecked(needs.DRIVER, About("board", board.id))
        return
    yield from _bridge_heat(prop, driver, running_a, path)
    if motor.volts is not None and motor.rail == "pack":
        yield from _motor_volts(ground, board, prop, driver, source)


def _current(prop: Prop, driver: Driver, motor: Motor, path: Path) -> Items:
    about = About("prop", prop.id)
    if driver.amps is not None and (motor.running_ma or 0) / 1000 > driver.amps:
        running_a = (motor.running_ma or 0) / 1000
        yield Finding(
            Severity.MUST,
            "driver-current",
            path,
            about,
            f"The motor of {prop.id} runs at {running_a:.1f} A; the driver {driver.name} carries "
            f"{driver.amps:g} A.",
            "A driver of twice the running current.",
            Figure.of(running_a, driver.amps, "A"),
            Topic.FUSE,
        )
    elif driver.peak_amps is not None and (motor.stall_ma or 0) / 1000 > driver.peak_amps:
        stall_a = (motor.stall_ma or 0) / 1000
        yield Finding(
            Severity.SHOULD,
            "driver-stall",
            path,
            about,
            f"Stalled, the motor of {prop.id} draws {stall_a:.1f} A; the driver {driver.name} "
            f"bears {driver.peak_amps:g} A for a moment.",
            "A driver that limits its current, a smaller fuse, or a clutch before the load.",
            Figure.of(stall_a, driver.peak_amps, "A"),
            Topic.MOTION,
        )


def _bridge_heat(prop: Prop, driver: Driver, running_a: float, path: Path) -> Items:
    rise = drivers.bridge_rise_k(driver, running_a, _on_share(prop))
    if rise is None:
        return
    junction = rise + Band.exact(regulators.BOX_C)
    if junction.at > regulators.HOTTEST_JUNCTION_C:
        yield Finding(
            Severity.SHOULD,
            "driver-heat",
            path,
            About("prop", prop.id),
            f"At {running_a:.1f} A for {100 * _on_share(prop):.0f} % of the time the driver "
            f"{driver.name} gets to {junction.at:.0f} °C without a heat sink.",
            "A heat sink, a longer cooldown, or a MOSFET driver.",
            Figure(junction, regulators.HOTTEST_JUNCTION_C, "°C"),
            Topic.FUSE,
        )


def _on_share(prop: Prop) -> float:
    """The motor's share of the time when somebody is always there."""
    shares = [
        each.motor_on_ms / (each.duration_ms + prop.cooldown_ms)
        for each in prop.behaviours
        if each.motor_on_ms
    ]
    return max(shares, default=1.0)


def _motor_volts(ground: Ground, board: Board, prop: Prop, driver: Driver, source: Source) -> Items:
    motor = prop.motor
    assert motor is not None
    assert motor.volts is not None
    assert motor.running_ma is not None
    running_a = motor.running_ma / 1000
    lost = wire_ohm(board) or Band.exact(0.0)
    inner = ground.source_ohm(board) or Band.exact(0.0)
    before = Band.exact(source.nominal) - (lost + inner).scaled(running_a)
    left = drivers.motor_volts(before, driver, running_a)
    path, about = ground.path("prop", prop.id, "motor"), About("prop", prop.id)
    least_v = WEAK_SHARE * motor.volts
    if left.at < least_v:
        yield Finding(
            Severity.SHOULD,
            "motor-volts",
            path,
            about,
            f"Of {source.nominal:.1f} V the driver {driver.name} and the wire leave "
            f"{left.at:.1f} V ({left.low:.1f} to {left.high:.1f}) for the {motor.volts:g} V motor "
            f"of {prop.id}: it turns slowly or stalls.",
            "A MOSFET driver, or one cell more where every part bears it.",
            Figure(left, least_v, "V", at_least=True),
        )
    most_v = STRONG_SHARE * motor.volts
    if left.low > most_v:
        yield Finding(
            Severity.SHOULD,
            "motor-volts-high",
            path,
            about,
            f"Some {left.at:.1f} V reach the {motor.volts:g} V motor of {prop.id}: it runs "
            "faster and hotter than its plate allows.",
            "Limit the pulse width to rated over supply volts, or fewer cells.",
            Figure(left, most_v, "V"),
            Topic.MOTION,
        )


def _stall(ground: Ground, board: Board, prop: Prop, motor: Motor, source: Source) -> Items:
    """Whether the logic sinks when the motor meets resistance."""
    assert motor.stall_ma is not None
    supply = ground.supplies.get(board.supply or "")
    regulator = ground.regulator(board)
    small = supply is not None and source.nominal <= FIVE_V_MOST and board.regulator is None
    if motor.rail == "logic" or small:
        limit_ma = regulator.limit_ma if regulator is not None else None
        if limit_ma is None and supply is not None and supply.limit_a is not None:
            limit_ma = 1000 * supply.limit_a
        if limit_ma is None:
            yield Unchecked(needs.REGULATOR, About("board", board.id))
            return
        yield from _shared(ground, board, prop, motor.stall_ma, limit_ma)
        return
    yield from _separate(ground, board, prop, motor.stall_ma / 1000, source)


def _shared(ground: Ground, board: Board, prop: Prop, stall_ma: float, limit_ma: float) -> Items:
    need_ma = logic_ma(board)
    if regulators.spare_ma(limit_ma, stall_ma, need_ma) < 0:
        yield Finding(
            Severity.MUST,
            "brown-out",
            ground.path("prop", prop.id, "motor"),
            About("prop", prop.id),
            f"The motor of {prop.id} and the logic of {board.id} share {limit_ma:.0f} mA. Stalled, "
            f"the motor alone draws {stall_ma:.0f} mA: the board restarts whenever it meets "
            "resistance.",
            "Feed the logic from a regulator of its own off the pack, and the motor from the pack.",
            Figure.of(stall_ma + need_ma, limit_ma, "mA"),
            Topic.MOTION,
        )


def _separate(ground: Ground, board: Board, prop: Prop, stall_a: float, source: Source) -> Items:
    regulator, inner = ground.regulator(board), ground.source_ohm(board)
    least_v = board.input_min_v
    if regulator is not None and regulator.dropout_v is not None:
        least_v = regulator.output_v + regulator.dropout_v
    if least_v is None:
        yield Unchecked(needs.REGULATOR, About("board", board.id))
        return
    if inner is None:
        yield Unchecked(needs.RESISTANCE, About("board", board.id))
        return
    if board.battery is not None and board.battery.resistance_mohm is None:
        yield Unchecked(needs.RESISTANCE, About("board", board.id))
    lost = wire_ohm(board) or Band.exact(0.0)
    logic_a = logic_ma(board) / 1000
    there = regulators.stalled_input_v(source.late, inner, lost, stall_a, logic_a)
    if there.low >= least_v:
        return
    yield Finding(
        Severity.MUST if there.at < least_v else Severity.SHOULD,
        "brown-out",
        ground.path("prop", prop.id, "motor"),
        About("prop", prop.id),
        f"When the motor of {prop.id} stalls late in the evening, {there.at:.1f} V "
        f"({there.low:.1f} to {there.high:.1f}) reach the logic of {board.id}, which needs "
        f"{least_v:.1f} V: it restarts.",
        "A stronger or second pack for the logic, thicker wire, or a driver that limits the stall.",
        Figure(there, least_v, "V", at_least=True),
        Topic.MOTION,
    )
