"""Changes that wait for the next phase, and settings of earlier nights, in words."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final, NamedTuple

from haunt.site.frontwords import seconds
from haunt.site.presenter import Presenter
from haunt.site.workports import Pending, Then

NAMES: Final = {
    "cooldown_s": "rest",
    "patience_s": "patience",
    "gap_s": "stagger",
    "cooldown_factor": "cooldown factor",
}
UNITS: Final = {"cooldown_factor": ""}


class Waiting(NamedTuple):
    prop: str
    name: str
    said: str
    fault: str


def pending_words(found: Sequence[Pending], presenter: Presenter) -> list[Waiting]:
    return [
        Waiting(
            each.prop,
            _name(each.prop, presenter),
            f"rests {seconds(each.cooldown_ms)} s from "
            f"{soon(each.due_ms, presenter)} on ({each.phase}), by {each.by}",
            each.fault,
        )
        for each in found
    ]


def soon(at_ms: int, presenter: Presenter) -> str:
    """Say a time of today as a clock does, any other with its day."""
    at, now = (
        datetime.fromtimestamp(ms // 1000, UTC).astimezone(presenter.zone)
        for ms in (at_ms, presenter.night.at_ms)
    )
    return f"{at:%H:%M}" if at.date() == now.date() else f"{at:%a %H:%M}"


def changed_words(then: Then, presenter: Presenter) -> list[str]:
    """Say what the settings of an earlier night would change."""
    found = []
    for value, now in then.changes:
        what = NAMES.get(value.key, value.key)
        unit = UNITS.get(value.key, " s")
        whose = _name(str(value.name), presenter) if value.table == "prop" else value.table
        if value.table == "phase":
            whose = f"phase {value.name}"
        found.append(f"{whose}: {what} {_said(value.value, unit)}, now {_said(now, unit)}")
    return found


def _said(value: float | None, unit: str) -> str:
    return "not set" if value is None else f"{value:g}{unit}"


def _name(prop: str, presenter: Presenter) -> str:
    known = presenter.night.props.get(prop)
    return known.name if known is not None else prop
