"""Starts and ends of behaviours: the sums that they change, and nothing else."""

from haunt.core.decisions import SendCue
from haunt.core.dice import draw
from haunt.core.night import Item, Night, Play, Prop
from haunt.core.show import Behaviour

HOUR_MS = 3_600_000
DUTY_WINDOW_MS = 600_000


def choose(night: Night, prop: Prop, item: Item, allowed: list[Behaviour]) -> Behaviour:
    """Draw by weight, never the same twice in a row where there is another."""
    if len(allowed) == 1:
        return allowed[0]
    pool = [each for each in allowed if each.id != prop.last_behaviour] or allowed
    total = sum(each.weight for each in pool)
    if total <= 0:
        return pool[draw(night.show.seed, item.cue, len(pool))]
    mark = draw(night.show.seed, item.cue, total)
    for each in pool:
        mark -= each.weight
        if mark < 0:
            return each
    return pool[-1]


def start(night: Night, prop: Prop, item: Item, behaviour: Behaviour) -> None:
    now = night.now_ms
    before = (prop.last_start_ms, prop.last_end_ms, prop.last_behaviour)
    play = Play(item.cue, behaviour, now, before)
    prop.play = play
    prop.last_start_ms = now
    prop.last_behaviour = behaviour.id
    prop.last_barred_ms = None
    prop.claim_until_ms = 0
    _note_use(prop, behaviour, now)
    for index, amount in behaviour.draws:
        load = night.loads[index]
        load.total += amount
        load.playing[prop.spec.id] = (amount, play.busy_until_ms)
    night.wake(play.busy_until_ms, prop)
    night.effects.append(
        SendCue(
            prop.spec.board,
            item.cue,
            night.epoch,
            prop.spec.id,
            behaviour.id,
            behaviour.max_ms,
            now,
            _line(night, behaviour, item.cue),
        )
    )


def _note_use(prop: Prop, behaviour: Behaviour, now: int) -> None:
    if prop.spec.hourly_cap is not None:
        prop.starts_ms = [each for each in prop.starts_ms if each > now - HOUR_MS]
        prop.starts_ms.append(now)
    if prop.spec.duty_permille is not None and behaviour.motor_on_ms:
        recent = [each for each in prop.on_times if each[1] > now - DUTY_WINDOW_MS]
        prop.on_times = [*recent, (now, now + behaviour.motor_on_ms)]


def _line(night: Night, behaviour: Behaviour, cue: str) -> str | None:
    if not behaviour.lines:
        return None
    return behaviour.lines[draw(night.show.seed, "line " + cue, len(behaviour.lines))]


def end(night: Night, prop: Prop, at_ms: int) -> None:
    """A behaviour is over at an instant, now or past; the prop begins its rest."""
    play = _unload(night, prop)
    if play is None:
        return
    prop.last_end_ms = max(at_ms, play.started_ms)
    if prop.on_times and prop.on_times[-1][0] == play.started_ms:
        began, until = prop.on_times[-1]
        prop.on_times[-1] = (began, max(began, min(until, at_ms)))
    night.relook_around(prop)


def undo(night: Night, prop: Prop) -> None:
    """The board refused: as if it had never started. The decision stays fired."""
    play = _unload(night, prop)
    if play is None:
        return
    prop.last_start_ms, prop.last_end_ms, prop.last_behaviour = play.before
    if prop.starts_ms and prop.starts_ms[-1] == play.started_ms:
        prop.starts_ms.pop()
    if prop.on_times and prop.on_times[-1][0] == play.started_ms:
        prop.on_times.pop()
    night.relook_around(prop)


def _unload(night: Night, prop: Prop) -> Play | None:
    play, prop.play = prop.play, None
    if play is not None:
        for index, _amount in play.behaviour.draws:
            load = night.loads[index]
            amount, _until = load.playing.pop(prop.spec.id)
            load.total -= amount
    return play
