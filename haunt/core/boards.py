"""What boards tell: presence, health, reports. Odd reports are counted and change nothing."""

from statistics import median_low

from haunt.core import plays
from haunt.core.events import BoardGone, BoardHealth, BoardHere, LinkChanged, Reported
from haunt.core.night import Board, Night, Prop
from haunt.core.people import hold_armed, refuse_prop
from haunt.core.sensorrules import WARMING_RESETS

REST_MS = 5000
READINGS_MAX = 5
LOW_STREAK = 3
BACK_PERCENT = 10
LOST_ARMS_MS = 30_000


def on_link(night: Night, event: LinkChanged) -> None:
    night.link_up = event.up
    if not event.up:
        night.agenda += night.waiting.values()
    night.touched.update(night.props)


def on_board_here(night: Night, event: BoardHere) -> None:
    board = night.boards.get(event.board)
    if board is None:
        return
    was_gone = None if board.here or board.gone_ms is None else night.now_ms - board.gone_ms
    _hear_boot(night, board, event)
    if was_gone is not None and was_gone >= LOST_ARMS_MS:
        hold_armed(board.props)
    board.here, board.gone_ms = True, None
    _touch(night, board)


def _hear_boot(night: Night, board: Board, event: BoardHere | BoardHealth) -> None:
    if event.boot != board.boot:
        _booted(night, board, event)
    else:
        _learn_boot(night, board, event)


def _booted(night: Night, board: Board, event: BoardHere | BoardHealth) -> None:
    """A new boot ends its plays; power-up holds what could hurt someone."""
    for prop in board.props:
        if prop.play is not None:
            plays.end(night, prop, night.now_ms)
    for sensor in board.sensors:
        sensor.active_ms = 0
    board.boot, board.reset = event.boot, event.reset
    board.booted_ms = night.now_ms - event.up_ms
    if event.reset in WARMING_RESETS:
        hold_armed(board.props)


def _learn_boot(night: Night, board: Board, event: BoardHere | BoardHealth) -> None:
    """Take what a later word adds: a boot may first be heard of by a motion, which says neither."""
    if event.up_ms:
        board.booted_ms = min(board.booted_ms, night.now_ms - event.up_ms)
    if board.reset == "unknown":
        board.reset = event.reset


def on_board_gone(night: Night, event: BoardGone) -> None:
    board = night.boards.get(event.board)
    if board is None or not board.here:
        return
    board.here, board.gone_ms = False, night.now_ms
    for prop in board.props:
        if prop.play is not None:
            plays.end(night, prop, night.now_ms)
        refuse_prop(night, prop, "offline")
    _touch(night, board)


def on_health(night: Night, event: BoardHealth) -> None:
    board = night.boards.get(event.board)
    if board is None:
        return
    _hear_boot(night, board, event)
    for name, active_ms in event.active:
        sensor = night.sensors.get(name)
        if sensor is None or sensor.board is not board:
            continue
        if active_ms > sensor.active_ms:  # it was high until just now: somebody is, or was, there
            sensor.last_seen_ms = sensor.lull_from_ms = night.now_ms
        sensor.active_ms = active_ms
    if event.charge_percent is not None and _at_rest(night, board):
        _weigh_charge(night, board, event.charge_percent)
    _touch(night, board)


def _at_rest(night: Night, board: Board) -> bool:
    """Nothing on for five seconds: only then do volts say anything about charge."""
    return all(
        prop.play is None
        and (prop.last_end_ms is None or night.now_ms - prop.last_end_ms >= REST_MS)
        for prop in board.props
    )


def _weigh_charge(night: Night, board: Board, percent: int) -> None:
    board.rest_readings = [*board.rest_readings, percent][-READINGS_MAX:]
    charge = board.charge_percent = median_low(board.rest_readings)
    for prop in board.props:
        night.relook(prop)  # charge stretches the rest
        retire = prop.spec.retire_percent
        if retire is None:
            continue
        full = len(board.rest_readings) == READINGS_MAX
        prop.low_streak = prop.low_streak + 1 if full and charge < retire else 0
        if prop.retired:
            prop.retired = charge < retire + BACK_PERCENT
        elif prop.low_streak >= LOW_STREAK:
            prop.retired = True


def on_reported(night: Night, event: Reported) -> None:
    if event.epoch > night.epoch:
        night.rise_above(event.epoch)
    prop = _playing(night, event)
    if prop is None:
        if event.state != "refused":
            night.odd_reports += 1
    elif event.state in ("finished", "aborted"):
        plays.end(night, prop, night.now_ms)
    elif event.state == "refused" and event.why != "repeat":
        plays.undo(night, prop)


def _playing(night: Night, event: Reported) -> Prop | None:
    board = night.boards.get(event.board)
    for prop in board.props if board is not None else ():
        if prop.play is not None and prop.play.cue == event.cue:
            return prop
    return None


def _touch(night: Night, board: Board) -> None:
    night.touched.update(prop.spec.id for prop in board.props)
