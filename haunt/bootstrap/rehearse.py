"""Simulated nights: the example garden or a show of one's own, with faults or without."""

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.core.calendar import HOUR_MS, Calendar, Sunset
from haunt.live.prepare import prepare
from haunt.study.faults import NONE, ROUGH
from haunt.study.rehearsal import lack_of
from haunt.study.verdict import Verdict
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "garden.toml"
NO_NIGHT_MS = 1_793_552_400_000  # 2026-11-01T17:00:00Z, where the show names no night


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """`verdict.played` is what the boards themselves say they played."""

    verdict: Verdict
    hours: float

    @property
    def kept(self) -> bool:
        """Whether every promise held."""
        return not self.verdict.broken and not self.verdict.troubles

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self.verdict), "hours": self.hours}


def rehearse(
    path: Path | None, *, seed: int, hours: float, faults: bool, groups_per_hour: float
) -> Rehearsal | str:
    """Run one night, then let it heal; the same arguments give the same log.

    Return what is wrong with the file where it cannot be read or played.
    """
    chosen = path or EXAMPLE
    try:
        file = read_show(chosen.read_text(encoding="utf-8"), str(chosen)).show
    except ShowFileRefused as refused:
        return refused.said
    lack = lack_of(file)
    if lack:
        return lack
    sunset = sunset_of(file)
    world = World(
        file,
        make_brain,
        seed=seed,
        wall_ms=_begin_ms(file, sunset),
        traffic=Traffic(groups_per_hour=groups_per_hour),
        faults=ROUGH if faults else NONE,
        sunset=sunset,
        keep=False,
    )
    world.run(round(hours * HOUR_MS)).heal()
    return Rehearsal(world.verdict(), hours)


def _begin_ms(file: ShowFile, sunset: Sunset) -> int:
    """Five in the afternoon, UTC, of the first night; if its doors are shut then, its opening."""
    if not file.nights:
        return NO_NIGHT_MS
    first = min(each.date for each in file.nights)
    five_ms = round(datetime(first.year, first.month, first.day, 17, tzinfo=UTC).timestamp() * 1000)
    show = prepare(file).show
    calendar = Calendar(show.calendar, show.time_zone, sunset)
    if calendar.piece(five_ms).open:
        return five_ms
    opens = next(each.opens for each in show.calendar.nights if each.date == first)
    found = calendar.first_instant(first, opens)
    return five_ms if found is None else found
