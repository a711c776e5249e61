"""A full evening at once, as a table: `python -m tests.benchmarks.load [MINUTES]` (6 by default).

A real `haunt serve` on Mosquitto, 200 boards, 50 motions a second; then twenty phones; backups,
checkpoints and a held reader; 200 streams of which many misbehave. Every latency stands beside
that of a bare echo, asked in turn with the server, on the same broker, from the same boards.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from tests.benchmarks.loadboards import Times
from tests.benchmarks.loadgauges import Gauges, Reading, slope
from tests.benchmarks.loadphones import Rude
from tests.benchmarks.loadsite import PER_SECOND, Site, site
from tests.benchmarks.loadstore import busy_store
from tests.system.house import until

FROZEN, CUT, CALLS = 50, 50, 1000
P99_MS, WORST_MS = 100.0, 500.0
UNCHANGED, UNCHANGED_MS = 1.1, 1.0
LOG_MB = 64.0
SLOTS_BACK_S = 10.0
QUIET_MS = 10.0
"""A machine on which the echo's own p99 is above this does other things: times do not count."""
WARM_S, REST_S = 3.0, 2.0


class Part(NamedTuple):
    """One phase: how much of the time it has, how many phones look on, and what it is."""

    name: str
    share: int
    streams: int
    means: str


EVENING: Final = (
    Part("quiet", 1, 0, "boards alone"),
    Part("phones", 2, 20, "+ 20 phones on Tonight"),
    Part("store", 2, 20, "+ backups, checkpoints, reader held"),
    Part("streams", 2, 200, "200 phones on Tonight"),
    Part("rude", 2, 200, "200: 50 frozen, 50 cut; 1,000 resets"),
)


class Spread(NamedTuple):
    p50: float
    p95: float
    p99: float
    worst: float


def spread(took: list[float]) -> Spread:
    if not took:
        raise AssertionError("no cue came back")

    def share(of: float) -> float:
        return took[min(len(took) - 1, int(len(took) * of))]

    return Spread(share(0.5), share(0.95), share(0.99), took[-1])


@dataclass(slots=True)
class Phase:
    """What one phase gave: times, readings of the server, and what went on beside."""

    part: Part
    times: Times
    readings: list[Reading]
    load: float
    beside: dict[str, int] = field(default_factory=dict)

    @property
    def ours(self) -> Spread:
        return spread(self.times.ours)

    @property
    def echo(self) -> Spread:
        return spread(self.times.echo)

    @property
    def busy_percent(self) -> float:
        first, last = self.readings[0], self.readings[-1]
        return 100 * (last.busy_s - first.busy_s) / (last.at_s - first.at_s)

    @property
    def is_quiet(self) -> bool:
        return self.echo.p99 <= QUIET_MS

    @property
    def log_mb(self) -> float:
        return max(each.log_mb for each in self.readings)


@dataclass(slots=True)
class Evening:
    phases: dict[str, Phase]
    slots_back_s: float
    handles: tuple[int, int]
    """Open files before the first phone came and after the last had gone."""


def walked(at: Site, part: Part, seconds: float, meanwhile: Callable[[], None]) -> Phase:
    """Let visitors pass for so long while the gauges are read."""
    load = os.getloadavg()[0]
    with Gauges(at.pid, at.server.data / "haunt.db") as gauges:
        at.boards.begin(seconds, PER_SECOND)
        meanwhile()
        times = at.boards.measured(3 * seconds + 60)
    return Phase(part, times, gauges.readings, load)


def evening(
    folder: Path,
    seconds: float,
    parts: Iterable[Part] = EVENING,
    say: Callable[[str], None] = print,
) -> Evening:
    """Play the parts one after the other; `seconds` are shared among them."""
    parts, phases = tuple(parts), dict[str, Phase]()
    unit = seconds / sum(part.share for part in parts)
    with site(folder) as at:
        at.boards.begin(min(WARM_S, unit), PER_SECOND)
        at.boards.measured(60)
        before = at.handles
        for part in parts:
            phases[part.name] = _phase(at, part, unit * part.share)
            say(_line(phases[part.name]))
        at.phones.bring_to(0)
        began = time.monotonic()
        until(lambda: at.streams == 0, "the slots to come back")
        back_s = time.monotonic() - began
        time.sleep(REST_S)
        return Evening(phases, back_s, (before, at.handles))


def _phase(at: Site, part: Part, seconds: float) -> Phase:
    is_rude = part.name == "rude"
    friendly = part.streams - FROZEN if is_rude else part.streams
    at.phones.bring_to(friendly)
    until(lambda: at.streams == friendly, "the streams")
    with ExitStack() as ending:
        counts = ending.enter_context(busy_store(at.server.data)) if part.name == "store" else {}
        meanwhile = _nothing
        if is_rude:
            rude = ending.enter_context(Rude(at.door, FROZEN, CALLS, seconds * 0.8))
            counts["frozen"] = FROZEN

            def meanwhile() -> None:
                time.sleep(seconds / 2)
                at.phones.bring_to(friendly - CUT, cut=CUT)
                counts.update({"cut": CUT, "resets": rude.called})

        found = walked(at, part, seconds, meanwhile)
    if is_rude:
        counts["resets"] = rude.called
    found.beside = counts
    return found


def _nothing() -> None:
    """Only visitors."""


# --- what is said


HEAD: Final = (
    f"{'motion -> cue in ms: ours / bare echo = ratio':37}"
    f"{'p50':^23}{'p95':^23}{'p99':^23}{'worst':^23} server"
)


def _line(phase: Phase) -> str:
    cells = " ".join(
        f"{ours:7.2f}/{bare:7.2f}={ours / bare:5.2f}x"
        for ours, bare in zip(phase.ours, phase.echo, strict=True)
    )
    beside = "".join(f", {count} {what}" for what, count in phase.beside.items())
    busy = "" if phase.is_quiet else ", machine busy: times not judged"
    return (
        f"{phase.part.means:37}{cells} {phase.busy_percent:5.1f} %  "
        f"{len(phase.times.ours)} cues, {phase.times.ours_lost} lost, load {phase.load:.1f}"
        f"{beside}{busy}"
    )


def gauges_text(name: str, readings: list[Reading]) -> Iterator[str]:
    """Begin, end and slope of each gauge; the slope is of the second half."""
    half = readings[len(readings) // 2 :]
    for gauge in ("memory_mb", "handles", "threads", "log_mb"):
        values = [float(getattr(each, gauge)) for each in readings]
        found = slope(half, gauge)
        yield (
            f"  {name:8}{gauge:10}{values[0]:8.1f} -> {values[-1]:8.1f}, most {max(values):8.1f}; "
            f"{found.an_hour:+9.1f} an hour in the second half, give or take {2 * found.error:.1f}"
        )


def faults(of: Evening) -> Iterator[str]:
    """Promises that this evening broke; times are judged where the echo's own were good."""
    for name, phase in of.phases.items():
        ours = phase.ours
        if phase.times.ours_lost:
            yield f"{name}: {phase.times.ours_lost} motions without a cue"
        if phase.is_quiet and (ours.p99 > P99_MS or ours.worst > WORST_MS):
            yield f"{name}: p99 {ours.p99:.0f} ms, worst {ours.worst:.0f} ms"
        if phase.log_mb > LOG_MB:
            yield f"{name}: the log of the database grew to {phase.log_mb:.0f} MB"
    good, bad = of.phases.get("streams"), of.phases.get("rude")
    if good is not None and bad is not None and good.is_quiet and bad.is_quiet:
        limit = UNCHANGED * good.ours.p99 + UNCHANGED_MS
        if bad.ours.p99 > limit:
            yield f"rude streams cost others: p99 {bad.ours.p99:.1f} ms, allowed {limit:.1f}"
    if of.slots_back_s > SLOTS_BACK_S:
        yield f"the slots came back after {of.slots_back_s:.1f} s"
    if of.handles[1] > of.handles[0] + 4:  # readers that the pool keeps open
        yield f"handles: {of.handles[0]} before, {of.handles[1]} after"


def main() -> int:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 6.0
    print(HEAD)
    with tempfile.TemporaryDirectory() as folder:
        found = evening(Path(folder), max(30.0, 60 * minutes - 40))
    for name, phase in found.phases.items():
        print("\n".join(gauges_text(name, phase.readings)))
    print(
        f"slots back to 0 in {found.slots_back_s:.2f} s; handles {found.handles[0]} before, "
        f"{found.handles[1]} after; slopes of so short a time say little: loadsoak has long ones"
    )
    broken = list(faults(found))
    for each in broken:
        print(f"BROKEN: {each}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
