"""The rules of a sensor: whether what it reported is somebody new who comes the right way.

`happened` is when it happened on the steady clock. Each gives PASSES, or by how many ms it bars.
"""

from typing import Final

from haunt.core.night import PASSES, Night, Sensor

WARMING_RESETS: Final = frozenset({"power-on", "brown-out", "unknown"})


def muted(night: Night, sensor: Sensor, _happened: int) -> int:
    if not sensor.muted:
        return PASSES
    until = sensor.muted_until_ms
    if until is None:
        return 0
    return until - night.now_ms if until > night.now_ms else PASSES


def warming_up(_night: Night, sensor: Sensor, happened: int) -> int:
    board = sensor.board
    if not sensor.spec.warm_up_ms or board.reset not in WARMING_RESETS or not board.boot:
        return PASSES
    left = board.booted_ms + sensor.spec.warm_up_ms - happened
    return left if left > 0 else PASSES


def block_time(_night: Night, sensor: Sensor, happened: int) -> int:
    """Order of delivery does not matter: a report just before the accepted one is the same."""
    last = sensor.last_accepted_ms
    if last is None or abs(happened - last) >= sensor.spec.block_ms:
        return PASSES
    return last + sensor.spec.block_ms - happened


def lingering(_night: Night, sensor: Sensor, happened: int) -> int:
    lull, since = sensor.spec.lull_ms, sensor.lull_from_ms
    if lull is None or since is None or happened - since >= lull:
        return PASSES
    accepted = sensor.last_accepted_ms
    if accepted is None or happened - accepted >= sensor.spec.lull_max_ms:
        return PASSES
    return min(since + lull, accepted + sensor.spec.lull_max_ms) - happened


def wrong_way(after: Sensor, within_ms: int, happened: int) -> int:
    """Refuse people who came the other way. This one is judged link by link."""
    if any(0 <= happened - seen <= within_ms for seen in after.recent_ms):
        return PASSES
    return 0


def self_trigger(_night: Night, sensor: Sensor, happened: int) -> int:
    worst = PASSES
    for prop in sensor.sees:
        play = prop.play
        if play is not None and play.started_ms <= happened:
            return play.busy_until_ms + sensor.spec.settle_ms - happened
        ended, started = prop.last_end_ms, prop.last_start_ms
        if ended is None or started is None or happened < min(started, ended):
            continue
        worst = max(worst, ended + sensor.spec.settle_ms - happened - 1)
    return worst + 1 if worst > PASSES else PASSES
