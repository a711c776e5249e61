"""Starts and ends of behaviours: the sums that they change, and nothing else."""

from bisect import bisect_right
from typing import NamedTuple

from haunt.core.calendar import HOUR_MS
from haunt.core.decisions import SendCue
from haunt.core.dice import draw
from haunt.core.night import Item, Night, Play, Prop
from haunt.core.show import Behaviour, Line

DUTY_WINDOW_MS = 600_000


class Saying(NamedTuple):
    """A line, and what counts as said before it: the prop's own list, or one that begins anew."""

    line: Line
    heard: list[str]


def choose(night: Night, prop: Prop, item: Item, allowed: tuple[Behaviour, ...]) -> Behaviour:
    """Draw by weight, never the same twice in a row where there is another."""
    pool = [each for each in allowed if each.id != prop.last_behaviour] or list(allowed)
    total = sum(each.weight for each in pool)
    if total <= 0:
        return pool[draw(night.show.seed, item.cue, len(pool))]
    mark = draw(night.show.seed, item.cue, total)
    for each in pool:
        mark -= each.weight
        if mark < 0:
            return each
    return pool[-1]


def start(
    night: Night, prop: Prop, item: Item, behaviour: Behaviour, saying: Saying | None = None
) -> None:
    now = night.now_ms
    before = (prop.last_start_ms, prop.last_end_ms, prop.last_behaviour)
    play = Play(item.cue, behaviour, now, before)
    prop.play = play
    prop.last_start_ms = now
    prop.last_behaviour = behaviour.id
    prop.claim_until_ms = 0
    _note_use(prop, behaviour, now)
    for index, amount in behaviour.draws:
        load = night.loads[index]
        load.total += amount
        load.playing[prop.spec.id] = (amount, play.busy_until_ms)
    night.wake(play.busy_until_ms, prop)
    line = _note_line(prop, play, saying) if saying is not None else None
    night.effects.append(
        SendCue(
            prop.spec.board,
            item.cue,
            night.epoch,
            prop.spec.id,
            behaviour.id,
            behaviour.max_ms,
            now,
            line,
        )
    )


def _note_line(prop: Prop, play: Play, saying: Saying) -> str:
    """The old list is put back where the board refuses: what nobody heard is still to be said."""
    play.line, play.said = saying.line.id, prop.said if saying.heard is not prop.said else None
    prop.said = saying.heard
    prop.said.append(saying.line.id)
    return saying.line.text


def _note_use(prop: Prop, behaviour: Behaviour, now: int) -> None:
    """Kept without a cap or duty too: somebody may set one in the middle of the night.

    What the last end still saw is kept as well: if the board refuses, the rest counts from there.
    """
    seen_ms = now if prop.last_end_ms is None else prop.last_end_ms
    del prop.starts_ms[: bisect_right(prop.starts_ms, seen_ms - HOUR_MS)]
    prop.starts_ms.append(now)
    if behaviour.motor_on_ms:
        while prop.on_times and prop.on_times[0][1] <= seen_ms - DUTY_WINDOW_MS:
            began, until = prop.on_times.pop(0)
            prop.on_total_ms -= until - began
        prop.on_times.append((now, now + behaviour.motor_on_ms))
        prop.on_total_ms += behaviour.motor_on_ms


def on_time_since(prop: Prop, since_ms: int) -> int:
    """Sum of motor on-time from an instant on, in ms, planned on-time of a play included."""
    total = prop.on_total_ms
    for began, until in prop.on_times:
        if began >= since_ms:
            break
        total -= min(until, since_ms) - began
    return total


def end(night: Night, prop: Prop, at_ms: int) -> None:
    """A behaviour is over at an instant, now or past; the prop begins its rest."""
    play = _unload(night, prop)
    if play is None:
        return
    prop.last_end_ms = max(at_ms, play.started_ms)
    if prop.on_times and prop.on_times[-1][0] == play.started_ms:
        began, until = prop.on_times[-1]
        stopped = max(began, min(until, at_ms))
        prop.on_times[-1] = (began, stopped)
        prop.on_total_ms -= until - stopped
    spread(prop)
    night.relook_around(prop)


def undo(night: Night, prop: Prop) -> None:
    """The board refused: as if it had never started. The decision stays fired."""
    play = _unload(night, prop)
    if play is None:
        return
    prop.last_start_ms, prop.last_end_ms, prop.last_behaviour = play.before
    if play.said is not None:
        prop.said = play.said
    elif play.line is not None and prop.said and prop.said[-1] == play.line:
        prop.said.pop()
    if prop.starts_ms and prop.starts_ms[-1] == play.started_ms:
        prop.starts_ms.pop()
    if prop.on_times and prop.on_times[-1][0] == play.started_ms:
        began, until = prop.on_times.pop()
        prop.on_total_ms -= until - began
    night.relook_around(prop)


def spread(prop: Prop) -> None:
    """From half of cap or duty used, stretch the rest: no prop goes dead for half an hour."""
    prop.spread_ms = max(_spread_cap(prop), _spread_duty(prop))


def _spread_cap(prop: Prop) -> int:
    """Share what is left of the trailing hour among the starts left in it."""
    cap, ended = prop.spec.hourly_cap, prop.last_end_ms
    if not cap or ended is None:
        return 0
    first = bisect_right(prop.starts_ms, ended - HOUR_MS)
    used = len(prop.starts_ms) - first
    if 2 * used < cap or used >= cap:
        return 0
    return (prop.starts_ms[first] + HOUR_MS - ended) // (cap - used)


def _spread_duty(prop: Prop) -> int:
    """Share what is left of the ten minutes among the plays that still fit in them."""
    budget, ended = prop.duty_ms, prop.last_end_ms
    if not budget or ended is None or not prop.on_times:
        return 0
    since = ended - DUTY_WINDOW_MS
    used = on_time_since(prop, since)
    shortest = min((b.motor_on_ms for b in prop.spec.behaviours if b.motor_on_ms), default=0)
    if 2 * used < budget or used >= budget or not shortest:
        return 0
    left = (budget - used) // shortest
    oldest = next((began for began, until in prop.on_times if until > since), ended)
    return (max(oldest, since) + DUTY_WINDOW_MS - ended) // left if left else 0


def _unload(night: Night, prop: Prop) -> Play | None:
    play, prop.play = prop.play, None
    if play is not None:
        for index, _amount in play.behaviour.draws:
            load = night.loads[index]
            amount, _until = load.playing.pop(prop.spec.id)
            load.total -= amount
    return play
