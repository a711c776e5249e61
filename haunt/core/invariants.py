"""What must hold after every event, whatever came. Asserted live, in simulation and in tests.

A broken one is a bug of ours, never of a board or a person: the caller stops the show and says so.
"""

from haunt.core.decisions import Effect, SendCue, TellStop
from haunt.core.night import Night, Prop


class CoreBug(AssertionError):  # noqa: N818 - the word says whose fault
    """The arbiter broke its own law. The message names the law and the numbers."""


def check(night: Night, effects: list[Effect]) -> None:
    """Check what this event touched. Raises CoreBug."""
    done = night.fired + night.refused + night.lapsed
    if night.owed != done + len(night.items):
        raise CoreBug(
            f"one decision for every motion and link: owed {night.owed}, decided {done}, "
            f"under way {len(night.items)}"
        )
    for effect in effects:
        if type(effect) is SendCue:
            _check_cue(night, effect)
        elif type(effect) is TellStop and effect.epoch > night.epoch:
            raise CoreBug(f"told epoch {effect.epoch} beyond {night.epoch}")
    for name in night.touched:
        prop = night.props.get(name)
        if prop is not None:
            _check_prop(night, prop)


def check_all(night: Night) -> None:
    """Check the whole state; live every 1,000 events, in tests always. Raises CoreBug."""
    for prop in night.props.values():
        _check_prop(night, prop)
    waiting = {item.prop.spec.id for item in night.waiting.values()}
    if waiting != {p.spec.id for p in night.props.values() if p.waiting is not None}:
        raise CoreBug(f"the list of waiting triggers differs from the props: {sorted(waiting)}")
    for load in night.loads:
        if load.total != sum(amount for amount, _ in load.playing.values()):
            raise CoreBug(f"load {load.spec.name} drifted to {load.total}")
    if len(night.heap) > 16 * (len(night.props) + len(night.items) + 64):
        raise CoreBug(f"{len(night.heap)} timers for {len(night.items)} triggers")


def _check_cue(night: Night, cue: SendCue) -> None:
    prop = night.props[cue.prop]
    if night.stopped or cue.epoch != night.epoch:
        raise CoreBug(f"cue {cue.cue} while stopped, or of epoch {cue.epoch} in {night.epoch}")
    if not prop.board.here or not night.link_up:
        raise CoreBug(f"cue {cue.cue} to a board that cannot get it")
    if prop.locked_by or prop.out_of_service:
        raise CoreBug(f"cue {cue.cue} to a prop that somebody works on")


def _check_prop(night: Night, prop: Prop) -> None:
    name, item, play = prop.spec.id, prop.waiting, prop.play
    if item is not None:
        if not item.alive or item.arrival not in night.items:
            raise CoreBug(f"{name} waits for a trigger that was decided")
        if night.now_ms > item.due_ms + prop.patience_ms:
            raise CoreBug(f"a trigger for {name} waits beyond patience")
        if night.stopped:
            raise CoreBug(f"{name} has a trigger waiting while stopped")
    if play is not None:
        if night.now_ms >= play.busy_until_ms:
            raise CoreBug(f"{name} plays {play.cue} beyond its longest time")
        if prop.last_start_ms != play.started_ms:
            raise CoreBug(f"{name} plays since {play.started_ms}, says {prop.last_start_ms}")
