"""Changes that wait for the next phase, and settings of earlier nights, in words."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from haunt.site.presenter import Presenter
from haunt.site.workports import SHOW_KEY, Change, LaterBook, Pending, Then, Value, When

NAMES: Final = {
    "cooldown_s": "rest",
    "patience_s": "patience",
    "gap_s": "stagger",
    "cooldown_factor": "cooldown factor",
}
UNITS: Final = {"cooldown_factor": ""}
RESTS_TOLD: Final = 2


class Waiting(NamedTuple):
    key: str
    name: str
    said: str
    fault: str


class Offer(NamedTuple):
    """A button that puts a change off: until what, in a word, and when that is."""

    when: str
    word: str
    said: str


def offers(later: LaterBook, presenter: Presenter) -> list[Offer]:
    """Return what a change can wait for; a phase that begins with the night is told once."""
    phase, night = later.next_turn(When.PHASE), later.next_turn(When.NIGHT)
    found = []
    if phase is not None and (night is None or phase.at_ms != night.at_ms):
        said = f"{phase.name}, {soon(phase.at_ms, presenter)}"
        found.append(Offer(str(When.PHASE), "From the next phase", said))
    if night is not None:
        found.append(Offer(str(When.NIGHT), "From the next night", soon(night.at_ms, presenter)))
    return found


def pending_words(found: Sequence[Pending], presenter: Presenter) -> list[Waiting]:
    return [
        Waiting(
            each.key,
            "The show" if each.key == SHOW_KEY else _whose(each.values[0], presenter),
            f"{_what(each, presenter)} from {soon(each.due_ms, presenter)} on ({each.phase}), "
            f"by {each.by}",
            each.fault,
        )
        for each in found
    ]


def _what(waiting: Pending, presenter: Presenter) -> str:
    if waiting.key != SHOW_KEY:
        return f"rests {waiting.values[0].value:g} s"
    return "; ".join(value_words(waiting.values, presenter))


def value_words(values: Sequence[Value], presenter: Presenter) -> list[str]:
    """Say what settings are to become; many rests at once are told as a count."""
    rests = [each for each in values if each.table == "prop"]
    found = [
        f"{_named(each, presenter)} {_said(each.value, _unit(each))}"
        for each in values
        if each not in rests or len(rests) <= RESTS_TOLD
    ]
    if len(rests) > RESTS_TOLD:
        found.append(f"rests of {len(rests)} props")
    return found


def _named(value: Value, presenter: Presenter) -> str:
    what, whose = NAMES.get(value.key, value.key), _whose(value, presenter)
    return what if whose in {"stagger", "limits"} else f"{whose}: {what}"


def _unit(value: Value) -> str:
    return UNITS.get(value.key, " s")


def _whose(value: Value, presenter: Presenter) -> str:
    if value.table == "prop":
        return _name(str(value.name), presenter)
    return f"phase {value.name}" if value.table == "phase" else value.table


def soon(at_ms: int, presenter: Presenter) -> str:
    """Say a time of today as a clock does, any other with its day."""
    times = presenter.times
    minute = times.minute(at_ms)
    is_today = times.day(at_ms) == times.day(presenter.night.at_ms)
    return minute if is_today else f"{times.local(at_ms):%a} {minute}"


def changed_words(then: Then, presenter: Presenter) -> list[str]:
    """Say what the settings of an earlier night would change."""
    found = []
    for value, now in then.changes:
        what, unit = NAMES.get(value.key, value.key), _unit(value)
        whose = _whose(value, presenter)
        found.append(f"{whose}: {what} {_said(value.value, unit)}, now {_said(now, unit)}")
    return found


def told_words(change: Change, presenter: Presenter) -> str:
    """Say what a change made of what; many rests at once are told as a count."""
    rests = [value for value, _ in change.changes if value.table == "prop"]
    found = [
        f"{_named(value, presenter)} {_said(now, _unit(value))}, was "
        f"{_said(value.value, _unit(value))}"
        for value, now in change.changes
        if value not in rests or len(rests) <= RESTS_TOLD
    ]
    if len(rests) > RESTS_TOLD:
        found.append(f"rests of {len(rests)} props")
    return "; ".join(found)


def _said(value: float | None, unit: str) -> str:
    return "not set" if value is None else f"{value:g}{unit}"


def _name(prop: str, presenter: Presenter) -> str:
    known = presenter.night.props.get(prop)
    return known.name if known is not None else prop
