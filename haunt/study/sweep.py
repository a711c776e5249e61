"""Many settings on one recorded night: what each would have given, and what it would have cost."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from haunt.core.calendar import Sunset, no_sunset
from haunt.core.show import PropSpec, Show
from haunt.study.measures import Draws, NightFigures, measure
from haunt.study.rerun import Recording, rerun
from haunt.study.visits import Visit, visits


@dataclass(frozen=True, slots=True)
class Setting:
    """What to try; None leaves as it is. `prop` None means every prop."""

    prop: str | None = None
    cooldown_ms: int | None = None
    gap_ms: int | None = None
    patience_ms: int | None = None
    phase_permille: int | None = None


@dataclass(frozen=True, slots=True)
class Trial:
    setting: Setting
    figures: NightFigures


def changed(show: Show, setting: Setting) -> Show:
    """Return the show under a setting. The show itself is not touched."""
    props = tuple(
        _prop(each, setting) if setting.prop in {None, each.id} else each for each in show.props
    )
    gap_ms = show.gap_ms if setting.gap_ms is None else setting.gap_ms
    calendar = show.calendar
    if setting.phase_permille is not None:
        factor = setting.phase_permille
        phases = tuple(replace(each, cooldown_permille=factor) for each in calendar.phases)
        calendar = replace(calendar, phases=phases)
    return replace(show, props=props, gap_ms=gap_ms, calendar=calendar)


def _prop(prop: PropSpec, setting: Setting) -> PropSpec:
    if setting.cooldown_ms is not None:
        prop = replace(prop, cooldown_ms=setting.cooldown_ms)
    if setting.patience_ms is not None:
        patience = setting.patience_ms
        behaviours = tuple(replace(each, patience_ms=patience) for each in prop.behaviours)
        prop = replace(prop, behaviours=behaviours)
    return prop


@dataclass(frozen=True, slots=True)
class Night:
    """All that a trial needs; it travels to other processes as it is."""

    recording: Recording
    show: Show
    draws: Draws
    groups: Mapping[str, list[Visit]]
    sunset: Sunset = no_sunset


def night_of(recording: Recording, show: Show, draws: Draws, sunset: Sunset = no_sunset) -> Night:
    return Night(recording, show, draws, visits(recording.motions, show), sunset)


def attempt(night: Night, setting: Setting) -> Trial:
    show = changed(night.show, setting)
    run = rerun(night.recording, show, night.sunset)
    return Trial(setting, measure(night.recording, show, run, night.draws, night.groups))


def front(trials: Iterable[Trial]) -> list[Trial]:
    """Keep the trials that no other beats in every way: groups answered, charge, noise, wear."""
    every = list(trials)
    return [each for each in every if not any(_beats(other, each) for other in every)]


def _costs(trial: Trial) -> tuple[float, ...]:
    figures = trial.figures
    return (
        -figures.answered,
        sum(figures.used_mah.values()),
        sum(each.loud_ms for each in figures.props.values()),
        max((each.worst_duty for each in figures.props.values()), default=0.0),
    )


def _beats(one: Trial, other: Trial) -> bool:
    mine, theirs = _costs(one), _costs(other)
    return mine != theirs and all(m <= t for m, t in zip(mine, theirs, strict=True))
