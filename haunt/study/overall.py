"""Settings of the whole show on recorded nights: the front between visitors, packs, noise, wear.

It recommends nothing: how much noise a group is worth is for the people of the show to say.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from haunt.core.show import Show
from haunt.study.noise import noise_ms
from haunt.study.sweep import (
    GAPS_MS,
    PHASES_PERMILLE,
    Attempts,
    Night,
    Setting,
    Trial,
    costs,
    grid,
    left_percent,
    line_ms_of,
    on_front,
    summed,
)

SCALES_PERMILLE = (500, 750, 1000, 1500, 2000)


@dataclass(frozen=True, slots=True)
class Whole:
    """One setting of the show, summed over the nights.

    `flat` are boards whose pack would have fallen below the level at which a prop of theirs
    retires, `left_percent` the least of any pack; None where no pack told its charge. `line_ms`
    is the sound at the property line, as time at its limit; None where no point of it is given.
    """

    setting: Setting
    answered: int
    fired: int
    mean_wait_ms: int
    clashes: int
    used_mah: float
    left_percent: float | None
    flat: tuple[str, ...]
    loud_ms: int
    worst_duty: float
    line_ms: float | None = None
    motor_ms: int = 0
    is_now: bool = False
    on_front: bool = False

    @property
    def noise_ms(self) -> float:
        """At the property line, or of all props where no point of it is given."""
        return noise_ms(self.loud_ms, self.line_ms)

    @property
    def wear(self) -> float:
        """Minutes of motors, or starts where no motor is known."""
        return self.motor_ms / 60_000 if self.motor_ms else float(self.fired)


@dataclass(frozen=True, slots=True)
class Overall:
    """The first row is the show as it is."""

    days: tuple[str, ...]
    visits: int
    rows: tuple[Whole, ...]

    @property
    def front(self) -> tuple[Whole, ...]:
        return tuple(each for each in self.rows if each.on_front)


def settings_of_show(show: Show) -> list[Setting]:
    """Return what is tried: gaps where there are neighbours, factors where there are phases."""
    near = any(each.neighbours for each in show.props)
    return [
        Setting(),
        *(
            each
            for each in grid(
                gaps_ms=GAPS_MS if near else (),
                phases_permille=PHASES_PERMILLE if show.calendar.phases else (),
                scales_permille=SCALES_PERMILLE,
            )
            if not is_now(show, each)
        ),
    ]


def is_now(show: Show, setting: Setting) -> bool:
    """Say whether a setting of the whole show leaves it as it is."""
    factors = {each.cooldown_permille for each in show.calendar.phases}
    return (
        setting.gap_ms in {None, show.gap_ms}
        and setting.scale_permille in {None, 1000}
        and (setting.phase_permille is None or factors <= {setting.phase_permille})
    )


def overall(nights: Sequence[Night], settings: Sequence[Setting], attempts: Attempts) -> Overall:
    rows = attempts(settings)
    now = rows[0]
    kept = on_front([summed(costs(each.figures) for each in then) for then in rows])
    whole = [
        replace(_whole(nights, setting, now, then), is_now=n == 0, on_front=is_kept)
        for n, (setting, then, is_kept) in enumerate(zip(settings, rows, kept, strict=True))
    ]
    visits = sum(each.figures.visits for each in now)
    return Overall(tuple(each.day for each in nights), visits, tuple(whole))


def _whole(
    nights: Sequence[Night], setting: Setting, now: Sequence[Trial], then: Sequence[Trial]
) -> Whole:
    show = nights[-1].show
    retires = {p.board: p.retire_percent or 0 for p in show.props}
    left: dict[str, float] = {}
    for night, before, after in zip(nights, now, then, strict=True):
        for board, percent in left_percent(night, before.figures, after.figures).items():
            left[board] = min(percent, left.get(board, percent))
    figures = [each.figures for each in then]
    answered = sum(each.answered for each in figures)
    waited = sum(each.mean_wait_ms * each.answered for each in figures)
    return Whole(
        setting,
        answered,
        sum(each.fired for each in figures),
        waited // answered if answered else 0,
        sum(each.clashes for each in figures),
        sum(sum(each.used_mah.values()) for each in figures),
        min(left.values(), default=None),
        tuple(sorted(b for b, percent in left.items() if percent < retires.get(b, 0))),
        sum(each.loud_ms for each in figures),
        max(each.worst_duty for each in figures),
        line_ms_of(figures),
        sum(each.motor_ms for each in figures),
    )
