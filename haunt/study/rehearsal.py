"""A night that nobody lived, many times over: what to expect, and how far it may be off.

The arbiter is the real one; people, sensors, packs and faults are drawn from a seed. What people
would do because of a prop is not known here either: they keep their pace.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from haunt.core import events
from haunt.core.calendar import HOUR_MS, Calendar, Sunset, no_sunset, utc
from haunt.core.decisions import Decision, SendCue
from haunt.core.events import Event
from haunt.core.show import Show
from haunt.live.prepare import prepare
from haunt.study.chance import Chance
from haunt.study.measures import Draws, NightFigures, draws_of, measure
from haunt.study.rerun import Recording, Stage
from haunt.study.rundown import Packs
from haunt.study.telling import CALM, Faults, recording_of
from haunt.study.traffic import INVENTED, Habits, Profile, arrivals
from haunt.study.visits import Visit
from haunt.study.walkers import Seen, Sight, Span, a_walk, seen_by, sights_of
from haunt.wire.showmodels import ShowFile

LIMITS: Final = (
    "People are drawn: their numbers, sizes and pace are those of the profile, not of your street.",
    "Nobody stays longer, or goes, because of what a prop does.",
    "Packs are full at the doors and give what is printed on them, at any cold and current.",
    "Boards end each behaviour when the show file says.",
)
BEFORE_MS: Final = 600_000
"""The controller and the boards are up ten minutes before the doors."""
AFTER_MS: Final = 1_800_000
NO_NIGHT: Final = datetime(2026, 11, 1, 17, tzinfo=UTC)
NO_NIGHT_HOURS: Final = 4


@dataclass(frozen=True, slots=True)
class Plan:
    """What kind of night: `groups` of them in the mean; `leaving` is the share that comes back."""

    profile: Profile = INVENTED
    groups: float = 150.0
    faults: Faults = CALM
    leaving: float = 0.1
    hours: float | None = None
    habits: Habits = field(default_factory=Habits)


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """One night of it. `flat` says when each pack fell below the level its props retire at."""

    seed: int
    groups: int
    people: int
    figures: NightFigures
    left_percent: Mapping[str, float]
    flat_ms: Mapping[str, int]
    longest_wait_ms: Mapping[str, int]


class Ground(NamedTuple):
    """What many nights of one show have in common; it travels to other processes."""

    file: ShowFile
    show: Show
    draws: Draws
    sights: list[Sight]
    opens_ms: int
    closes_ms: int
    sunset: Sunset


def lack_of(file: ShowFile) -> str:
    """Say why there is nothing to rehearse; empty where there is."""
    if not file.props:
        return "the show has no prop yet, so there is nothing to rehearse"
    if not file.links and not file.timetable:
        return "no sensor is linked to a prop, so there is nothing to rehearse"
    return ""


def ground_of(file: ShowFile, plan: Plan, sunset: Sunset = no_sunset) -> Ground:
    """Take the first night of the show, or four hours where it names none."""
    show = prepare(file).show
    calendar = Calendar(show.calendar, show.time_zone, sunset)
    opens_ms = round(NO_NIGHT.timestamp() * 1000)
    closes_ms = opens_ms + NO_NIGHT_HOURS * HOUR_MS
    if file.nights:
        first = min(file.nights, key=lambda each: each.date)
        found = calendar.first_instant(first.date, first.opens)
        night = calendar.night_of(found) if found is not None else None
        if night is not None:
            spec, opens_ms, props_close_ms = night
            closes_ms = props_close_ms - spec.last_group_min * 60_000
    if plan.hours is not None:
        closes_ms = opens_ms + round(plan.hours * HOUR_MS)
    return Ground(file, show, draws_of(file), sights_of(file), opens_ms, closes_ms, sunset)


def rehearse_one(ground: Ground, plan: Plan, seed: int) -> Rehearsed:
    """Play one night; the same seed, the same night."""
    show = replace(ground.show, seed=seed)
    zone = ZoneInfo(show.time_zone)
    entered = arrivals(
        plan.profile,
        plan.groups,
        ground.opens_ms,
        ground.closes_ms,
        lambda wall_ms: _minute(wall_ms, zone),
        Chance(seed, "arrivals"),
    )
    chance = Chance(seed, "walks")
    pace, sights = ground.file.info.walking_speed_m_s, len(ground.sights)
    walks = [
        a_walk(at_ms, sights, pace, chance, plan.habits, leaving=chance.happens(plan.leaving))
        for at_ms in entered
    ]
    seen = seen_by(ground.sights, walks, plan.faults.missed, Chance(seed, "eyes"))
    night = Span(ground.opens_ms - BEFORE_MS, ground.closes_ms + AFTER_MS)
    recording = recording_of(show, ground.sights, seen, plan.faults, night, seed)
    packs = Packs(show, ground.draws)
    run = Evening(recording, show, ground.sunset, packs).run()
    groups = _visits(show, seen)
    figures = measure(recording, show, run, ground.draws, groups)
    there = [each for each in walks if not each.leaving]
    return Rehearsed(
        seed,
        len(there),
        sum(each.people for each in there),
        figures,
        packs.left(recording.outside[-1].mono_ms),
        packs.flat_ms,
        {
            prop: max((p.waited_ms for p in run.plays if p.prop == prop), default=0)
            for prop in figures.props
        },
    )


def _minute(wall_ms: int, zone: ZoneInfo) -> int:
    local = utc(wall_ms).astimezone(zone)
    return local.hour * 60 + local.minute


def _visits(show: Show, seen: Seen) -> dict[str, list[Visit]]:
    """Every group that came by a prop, whether its sensor saw it or not."""
    found: dict[str, list[Visit]] = {prop.id: [] for prop in show.props}
    for sensor in show.sensors:
        for link in sensor.links:
            found[link.prop] += [
                Visit(each.from_ms + link.delay_ms, each.until_ms + link.delay_ms, 1)
                for each in seen.passes.get(sensor.id, ())
            ]
    return {prop: sorted(each) for prop, each in found.items()}


class Evening(Stage):
    """A stage on which packs run down with what is played, and boards tell so."""

    def __init__(self, recording: Recording, show: Show, sunset: Sunset, packs: Packs) -> None:
        super().__init__(recording, show, sunset)
        self._packs = packs

    def take(self, event: Event) -> None:
        self._packs.began(event.mono_ms)
        if type(event) is events.BoardHealth:
            percent = self._packs.percent(event.board, event.mono_ms)
            if percent is not None:
                event = replace(event, charge_percent=round(percent))
        super().take(event)

    def play(self, cue: SendCue, fired: Decision) -> None:
        super().play(cue, fired)
        self._packs.play(cue.prop, cue.behaviour, self.plays[-1].lasted_ms)
