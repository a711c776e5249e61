"""Rehearses a show many times over: for the command line, and in a child process for the page."""

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from haunt.bootstrap.cores import pooled
from haunt.bootstrap.errands import Errands, Latest
from haunt.bootstrap.recordings import last_nights, show_of, sunsets_near
from haunt.core.calendar import utc
from haunt.site.workports import Work
from haunt.store.engines import Engine
from haunt.study.outlook import Outlook, Spread, outlook
from haunt.study.passers import crowd
from haunt.study.progress import Progress, quiet
from haunt.study.rehearsal import (
    LIMITS,
    NO_NIGHT,
    Ground,
    Plan,
    Rehearsed,
    ground_of,
    lack_of,
    rehearse_one,
)
from haunt.study.telling import CALM, ROUGH
from haunt.study.traffic import PROFILES, Profile, recorded
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NIGHTS_MAX: Final = 200
OWN: Final = "own"
OWN_NIGHTS: Final = 3
GROUPS: Final = 150


class Asked(NamedTuple):
    """How many nights of what kind. `groups` a night; None: as the show file or own nights say."""

    nights: int
    profile: str = "evening"
    groups: float | None = None
    faults: bool = False
    seed: int = 1
    hours: float | None = None


def outlook_of_file(
    path: Path, asked: Asked, progress: Progress = quiet, jobs: int | None = None
) -> Outlook | str:
    """Rehearse a show file, or say what is wrong with it."""
    try:
        file = read_show(path.read_text(encoding="utf-8"), str(path)).show
    except ShowFileRefused as refused:
        return refused.said
    profile = PROFILES.get(asked.profile)
    if profile is None:
        return f"there is no profile {asked.profile!r}; there are {', '.join(PROFILES)}"
    return _outlook(file, asked, profile, asked.groups or _groups(file), progress, jobs)


def outlook_of_data(
    engine: Engine, asked: Asked, progress: Progress = quiet, jobs: int | None = None
) -> Outlook | str:
    """Rehearse the show of a data folder; the profile `own` is that of its last nights."""
    file = show_of(engine)
    if isinstance(file, str):
        return file
    profile, groups = PROFILES.get(asked.profile), asked.groups or _groups(file)
    if asked.profile == OWN:
        found = _own(engine, file)
        if isinstance(found, str):
            return found
        profile, own_groups = found
        groups = asked.groups or own_groups
    if profile is None:
        return f"there is no profile {asked.profile!r}; there are {', '.join([*PROFILES, OWN])}"
    return _outlook(file, asked, profile, groups, progress, jobs)


def _groups(file: ShowFile) -> float:
    """Groups of a night: by the show file where it says, over four hours."""
    return 4 * file.traffic.groups_per_hour if file.traffic is not None else GROUPS


def _own(engine: Engine, file: ShowFile) -> tuple[Profile, float] | str:
    """Make a profile of the last nights, by the half hours of the sensor that saw most."""
    nights = last_nights(engine, file, OWN_NIGHTS)
    if isinstance(nights, str):
        return nights
    zone = ZoneInfo(file.info.time_zone)
    rates: list[tuple[int, float]] = []
    for night in nights:
        motions = [replace(m, mono_ms=m.wall_ms) for m in night.recording.motions]
        if not motions:
            continue
        found = crowd(motions, night.show, motions[0].mono_ms, motions[-1].mono_ms + 1)
        for each in found.best.slices if found.best is not None else ():
            local = utc(each.at_ms).astimezone(zone)
            rate = each.rate.at if each.rate is not None else 0.0
            rates.append((local.hour * 60 + local.minute, rate))
    if not rates:
        return "the recorded nights had no visitors to go by"
    return recorded(rates, len(nights))


def _outlook(
    file: ShowFile,
    asked: Asked,
    profile: Profile,
    groups: float,
    progress: Progress,
    jobs: int | None,
) -> Outlook | str:
    lack = lack_of(file)
    if lack:
        return lack
    faults = ROUGH if asked.faults else CALM
    plan = Plan(profile=profile, groups=groups, faults=faults, hours=asked.hours)
    days = [min((each.date for each in file.nights), default=NO_NIGHT.date())]
    ground = ground_of(file, plan, sunsets_near(file, *days))
    nights = min(asked.nights, NIGHTS_MAX)
    with pooled(_one, (ground, plan), nights, progress, jobs) as play:
        return outlook(ground, plan, play(range(asked.seed, asked.seed + nights)))


def _one(shared: tuple[Ground, Plan], seed: int) -> Rehearsed:
    return rehearse_one(*shared, seed)


def as_json(found: Outlook) -> dict[str, Any]:
    return {**asdict(found), "limits": list(LIMITS)}


def lines(found: Outlook) -> Iterator[str]:
    """Say it on a terminal: the middle of the nights, and what nine of ten stay within."""
    yield f"{found.nights} nights, {found.profile}: {found.source}"
    yield f"groups {_of(found.groups)}, people {_of(found.people)}, visits {_of(found.visits)}"
    yield (
        f"answered {_percent(found.share)}, waited {_of(found.wait_s, 1)} s, "
        f"clashes {_of(found.clashes)}, loud {_of(found.loud_min)} min"
    )
    for prop in found.props:
        yield (
            f"  {prop.name:24} answered {_percent(prop.share):20} starts {_of(prop.starts):16} "
            f"waited {_of(prop.wait_s, 1):14} {prop.why}"
        )
    for pack in found.packs:
        flat = f", flat on {pack.flat_share:.0%} of the nights" if pack.flat_share else ""
        yield f"  pack of {pack.board:16} at close {_of(pack.left_percent)} %{flat}"
    names = {each.prop: each.name for each in found.props}
    if found.starved is not None:
        yield f"answers fewest: {names[found.starved]}"
    if found.slowest is not None:
        yield f"lets people wait longest: {names[found.slowest]}"
    yield "What this cannot know:"
    yield from (f"- {each}" for each in LIMITS)


def _of(spread: Spread, digits: int = 0) -> str:
    return f"{spread.median:.{digits}f} ({spread.low:.{digits}f} to {spread.high:.{digits}f})"


def _percent(spread: Spread) -> str:
    return f"{spread.median:.0%} ({spread.low:.0%} to {spread.high:.0%})"


class Rehearser:
    """Satisfies `site.workports.Rehearsals`. One at a time; what ran last is kept."""

    def __init__(self, data: Path, errands: Errands) -> None:
        self._data, self._last = data, Latest(errands)

    def begin(self, nights: int, profile: str, groups: int | None, *, faults: bool) -> Work:
        words = ["rehearse-nights", "--nights", str(nights), "--profile", profile, "--data"]
        words += [str(self._data), "--json", "--progress"]
        words += ["--groups", str(groups)] if groups else []
        words += ["--faults"] if faults else []
        return self._last.ask(words)

    def state(self) -> Work | None:
        return self._last.look()

    def cancel(self) -> None:
        self._last.cancel()
