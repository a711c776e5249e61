"""What may be tuned for the whole show, as a person asks for it, and as settings of its file."""

from collections.abc import Sequence
from typing import NamedTuple

from haunt.live.errors import CrewMistake
from haunt.site.clocks import seconds
from haunt.site.workports import Value
from haunt.wire.showmodels import ShowFile

THOUSAND = 1000


class Asked(NamedTuple):
    """None leaves as it is. `scale` stretches every rest, `factors` are of the phases in order."""

    gap_s: float | None = None
    patience_s: float | None = None
    scale: float | None = None
    factor: float | None = None
    factors: Sequence[float] = ()


class Knob(NamedTuple):
    """One setting that can be set by hand: the field's name, what it is, what it is now."""

    field: str
    label: str
    now: str
    least: float
    most: float
    step: float


def values_of(file: ShowFile, asked: Asked) -> tuple[Value, ...]:
    """Return what differs from now. Raises CrewMistake where nothing does."""
    found = [*_plain(file, asked), *_rests(file, asked.scale), *_phases(file, asked)]
    if not found:
        raise CrewMistake("All of that is set so already: nothing to change.")
    return tuple(found)


def _plain(file: ShowFile, asked: Asked) -> list[Value]:
    pairs = (
        ("stagger", "gap_s", asked.gap_s, file.stagger.gap_ms),
        ("limits", "patience_s", asked.patience_s, file.limits.patience_ms),
    )
    return [
        Value(table, None, key, wanted_s)
        for table, key, wanted_s, now_ms in pairs
        if wanted_s is not None and (now_ms is None or round(wanted_s * THOUSAND) != now_ms)
    ]


def _rests(file: ShowFile, scale: float | None) -> list[Value]:
    if scale is None or scale == 1:
        return []
    return [
        Value("prop", each.id, "cooldown_s", round(each.cooldown_ms * scale) / THOUSAND)
        for each in file.props
        if each.cooldown_ms
    ]


def _phases(file: ShowFile, asked: Asked) -> list[Value]:
    wanted: list[float | None] = [*asked.factors] or [asked.factor] * len(file.phases)
    if len(wanted) != len(file.phases):
        raise CrewMistake("The phases of the show have changed: look at the page again.")
    return [
        Value("phase", number, "cooldown_factor", factor)
        for number, (phase, factor) in enumerate(zip(file.phases, wanted, strict=True), 1)
        if factor is not None and factor != phase.cooldown_factor
    ]


def knobs_of(file: ShowFile) -> list[Knob]:
    """Return what the page lets a person set without any weighing."""
    gap_ms, patience_ms = file.stagger.gap_ms, file.limits.patience_ms
    found = [Knob("patience_s", "Patience, seconds", _or_default(patience_ms, "3"), 0, 60, 0.5)]
    if file.stagger.radius_m:
        label = "Stagger between neighbours, seconds"
        found.insert(0, Knob("gap_s", label, _or_default(gap_ms, "0"), 0, 600, 0.5))
    found += [
        Knob("factors", f"Rests in {each.name}, times", f"{each.cooldown_factor:g}", 0.1, 10, 0.05)
        for each in file.phases
    ]
    return found


def _or_default(ms: int | None, default: str) -> str:
    return default if ms is None else seconds(ms)
