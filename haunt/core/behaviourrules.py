"""The rules about one behaviour: whether this one is barred at an instant.

They narrow what a prop may do, and bar the prop only where nothing is left.
"""

from collections.abc import Callable

from haunt.core.calendar import Piece
from haunt.core.moment import is_open_at, strongest
from haunt.core.night import Night, Prop
from haunt.core.plays import DUTY_WINDOW_MS, on_time_since
from haunt.core.show import Behaviour

BehaviourTest = Callable[[Night, Prop, Behaviour, int], bool]


def audience(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    piece = night.calendar.piece(at_ms + night.offset_ms)
    return too_strong(behaviour, *strongest(night, piece, at_ms))


def too_strong(behaviour: Behaviour, intensity_max: int, flash_max_mhz: int) -> bool:
    return behaviour.intensity > intensity_max or behaviour.flash_mhz > flash_max_mhz


def quiet_hours(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    """At the start and at the planned end, so that nothing plays into the silence."""
    start, piece = at_ms + night.offset_ms, night.calendar.piece
    ends = start + behaviour.duration_ms
    return too_loud(piece(ends), behaviour) or too_loud(piece(start), behaviour)


def too_loud(piece: Piece, behaviour: Behaviour) -> bool:
    """A behaviour that does not say how loud it is counts as too loud."""
    if not piece.quiet:
        return False
    level, most = behaviour.level_dba, piece.quiet_dba
    return most is None or level is None or level > most


def may_play(behaviour: Behaviour, piece: Piece) -> bool:
    """As `audience` and `quiet-hours` have it, while nobody has a hand on the show."""
    is_strong = too_strong(behaviour, piece.max_intensity, piece.max_flash_mhz)
    return not (is_strong or too_loud(piece, behaviour))


def plays_past_closing(night: Night, behaviour: Behaviour, at_ms: int) -> bool:
    """`closed` at the planned end. Doors opened by hand have no planned end."""
    if night.doors != "timetable":
        return False
    return not is_open_at(night, at_ms + night.offset_ms + behaviour.duration_ms)


def duty(_night: Night, prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    """IEC 60034-1 S3 by convention: on-time in the ten minutes that end with this behaviour."""
    if prop.duty_ms is None or not behaviour.motor_on_ms:
        return False
    used = on_time_since(prop, at_ms + behaviour.duration_ms - DUTY_WINDOW_MS)
    return used + behaviour.motor_on_ms > prop.duty_ms


def talk_over(_night: Night, prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    if not behaviour.voice:
        return False
    for other in prop.voice_neighbours:
        play = other.play
        if play is not None and play.behaviour.voice and play.busy_until_ms > at_ms:
            return True
    return False


def _over(reason: str) -> BehaviourTest:
    def test(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
        for index, amount in behaviour.draws:
            load = night.loads[index]
            if load.spec.reason == reason and load.over(amount, at_ms, night.now_ms):
                return True
        return False

    return test


supply, flash, sound_limit = _over("supply"), _over("flash"), _over("sound-limit")
