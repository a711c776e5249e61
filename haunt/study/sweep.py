"""Many settings on one recorded night: what each would have given, and what it would have cost."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import product
from typing import Final

from haunt.core.calendar import Sunset, no_sunset
from haunt.core.show import PropSpec, Show
from haunt.study.measures import Charge, Draws, NightFigures, charges_of, measure
from haunt.study.noise import noise_ms
from haunt.study.rerun import Recording, rerun
from haunt.study.visits import Visit, visits, while_on

TRIALS_MAX: Final = 400
GRAIN: Final = 0.04
"""What differs by less than this part of the span from best to worst is taken as the same."""
COOLDOWNS_MS: Final = tuple(1000 * s for s in (4, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 90))
GAPS_MS: Final = (0, 2000, 3000, 4000, 5000, 6000, 8000, 10_000)
PATIENCES_MS: Final = (1500, 3000, 5000)
PHASES_PERMILLE: Final = (1000, 1500, 2000)


@dataclass(frozen=True, slots=True)
class Setting:
    """What to try; None leaves as it is. `prop` None means every prop.

    `phase_permille` is the cooldown factor of every phase, `scale_permille` stretches cooldowns.
    """

    prop: str | None = None
    cooldown_ms: int | None = None
    gap_ms: int | None = None
    patience_ms: int | None = None
    phase_permille: int | None = None
    scale_permille: int | None = None


@dataclass(frozen=True, slots=True)
class Trial:
    setting: Setting
    figures: NightFigures


def grid(
    prop: str | None = None,
    *,
    cooldowns_ms: Sequence[int] = (),
    gaps_ms: Sequence[int] = (),
    patiences_ms: Sequence[int] = (),
    phases_permille: Sequence[int] = (),
    scales_permille: Sequence[int] = (),
) -> list[Setting]:
    """Return every combination of what is given. Raises ValueError beyond `TRIALS_MAX`."""
    axes: list[Sequence[int | None]] = [
        each or (None,)
        for each in (cooldowns_ms, gaps_ms, patiences_ms, phases_permille, scales_permille)
    ]
    found = [Setting(prop, *each) for each in product(*axes)]
    if len(found) > TRIALS_MAX:
        raise ValueError(f"{len(found)} settings; allowed: up to {TRIALS_MAX} at a time")
    return found


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
    if setting.scale_permille is not None:
        prop = replace(prop, cooldown_ms=prop.cooldown_ms * setting.scale_permille // 1000)
    if setting.patience_ms is not None:
        patience = setting.patience_ms
        behaviours = tuple(replace(each, patience_ms=patience) for each in prop.behaviours)
        prop = replace(prop, behaviours=behaviours)
    return prop


@dataclass(frozen=True, slots=True)
class Sunsets:
    """Sunsets worked out beforehand: unlike a function they travel to another process."""

    instants_ms: Mapping[date, int | None]

    def __call__(self, day: date) -> int | None:
        return self.instants_ms.get(day)


@dataclass(frozen=True, slots=True)
class Night:
    """All that a trial needs; it travels to other processes as it is, if its sunset does."""

    recording: Recording
    show: Show
    draws: Draws
    groups: Mapping[str, list[Visit]]
    sunset: Sunset = no_sunset
    charges: Mapping[str, Charge] = field(default_factory=dict)
    day: str = ""


def night_of(
    recording: Recording, show: Show, draws: Draws, sunset: Sunset = no_sunset, day: str = ""
) -> Night:
    """The visitors are those of the night as it was: its report counts the same."""
    as_it_was = rerun(recording, show, sunset)
    groups = visits(while_on(recording.motions, as_it_was.decisions), show)
    return Night(recording, show, draws, groups, sunset, charges_of(recording), day)


def attempt(night: Night, setting: Setting) -> Trial:
    show = changed(night.show, setting)
    run = rerun(night.recording, show, night.sunset)
    return Trial(setting, measure(night.recording, show, run, night.draws, night.groups))


Attempts = Callable[[Sequence[Setting]], list[tuple[Trial, ...]]]
"""Tries settings on all nights at hand, here or in other processes: for each, in order, a trial a
night."""


def in_turn(nights: Sequence[Night]) -> Attempts:
    """Try one after the other, in this process."""

    def attempts(settings: Sequence[Setting]) -> list[tuple[Trial, ...]]:
        return [tuple(attempt(night, each) for night in nights) for each in settings]

    return attempts


def left_percent(night: Night, now: NightFigures, then: NightFigures) -> dict[str, float]:
    """Return what each pack would have had at the end: what it had, less what is drawn more.

    Only of packs whose capacity is in the show file and whose charge was told that night.
    """
    return {
        board: charge.last_percent
        - 100 * (then.used_mah[board] - now.used_mah[board]) / night.draws.capacity_mah[board]
        for board, charge in night.charges.items()
        if night.draws.capacity_mah.get(board) and board in then.used_mah
    }


def front(trials: Iterable[Trial]) -> list[Trial]:
    """Keep the trials that no other beats in every way: groups answered, charge, noise, wear."""
    every = list(trials)
    kept = on_front([costs(each.figures) for each in every])
    return [each for each, is_kept in zip(every, kept, strict=True) if is_kept]


Costs = tuple[float, ...]


def costs(figures: NightFigures) -> Costs:
    """Return what is to be small: groups not answered, mAh, noise, wear, clashes."""
    return (
        float(-figures.answered),
        sum(figures.used_mah.values()),
        noise_ms(figures.loud_ms, figures.line_ms),
        float(figures.motor_ms or figures.fired),
        float(figures.clashes),
    )


def line_ms_of(nights: Iterable[NightFigures]) -> float | None:
    """Add up what reached the property line; None where no point of it is given."""
    known = [each.line_ms for each in nights if each.line_ms is not None]
    return sum(known) if known else None


def summed(several: Iterable[Costs]) -> Costs:
    """Put nights together."""
    first, *rows = several
    for each in rows:
        first = tuple(a + b for a, b in zip(first, each, strict=True))
    return first


def on_front(every: Sequence[Costs]) -> list[bool]:
    """Say of each whether no other beats it. What differs by less than a grain is the same.

    Of those that are the same the first is kept.
    """
    grains = [GRAIN * (max(column) - min(column)) for column in zip(*every, strict=True)]
    coarse = [
        tuple(
            round(value / grain) if grain else 0 for value, grain in zip(each, grains, strict=True)
        )
        for each in every
    ]
    seen: set[tuple[int, ...]] = set()
    found = []
    for mine in coarse:
        found.append(mine not in seen and not any(beats(other, mine) for other in coarse))
        seen.add(mine)
    return found


def beats(one: Sequence[float], other: Sequence[float]) -> bool:
    """Say whether one is as good in every way and better in some."""
    return one != other and all(m <= t for m, t in zip(one, other, strict=True))
