"""Nothing grows: `python -m tests.benchmarks.loadsoak [MINUTES]` (60 by default) says what does.

The whole load of `load.py` for as long as one likes: 200 boards, 50 motions a second, phones that
come and go, backups, checkpoints, a reader held again and again. Once a minute it prints a row, at
the end motion to cue in three runs, each a third of it, and the slopes of memory, handles, threads
and the database's log: those after the first hour where half an hour is left, else without the
first part.
"""

import sys
import tempfile
from collections.abc import Iterator
from functools import reduce
from pathlib import Path

from tests.benchmarks.load import EVENING, LOG_MB, P99_MS, WORST_MS, Phase, spread, walked
from tests.benchmarks.loadboards import Times
from tests.benchmarks.loadgauges import Reading, slope
from tests.benchmarks.loadsite import Site, site
from tests.benchmarks.loadstore import FOR_HOURS, busy_store

MINUTE_S = 60.0
WARM_SHARE = 0.25
REMEMBERED_S, JUDGED_S = 3700.0, 1800.0
"""The rule of starts in an hour looks back as far: until then memory must grow."""
MEMORY_MB_AN_HOUR = 1.0
"""Judged only where twice the slope's error is less."""
PHONES = (20, 20, 60, 20, 0)
"""How many look on, minute by minute, over and over."""


def row(minute: int, phones: int, phase: Phase) -> str:
    last = phase.readings[-1]
    return (
        f"{minute:4} {phones:3} phones {phase.busy_percent:5.1f} % {last.memory_mb:7.1f} MB "
        f"{last.handles:4} handles {last.threads:3} threads, log at most {phase.log_mb:5.1f} MB; "
        f"p50 {phase.ours.p50:.2f} = {phase.ours.p50 / phase.echo.p50:.2f}x, p99 "
        f"{phase.ours.p99:.1f} = {phase.ours.p99 / phase.echo.p99:.2f}x the echo, "
        f"{phase.times.ours_lost} lost, load {phase.load:.1f}"
    )


def minutes_of(at: Site, minutes: int) -> Iterator[Phase]:
    for minute in range(minutes):
        phones = PHONES[minute % len(PHONES)]
        at.phones.bring_to(phones)
        phase = walked(at, EVENING[2], MINUTE_S, lambda: None)
        print(row(minute + 1, phones, phase), flush=True)
        yield phase


def late(phases: list[Phase]) -> Iterator[str]:
    """Motion to cue, third by third: each counts as a run of its own."""
    third = max(1, -(-len(phases) // 3))
    for at in range(0, len(phases), third):
        some = phases[at : at + third]
        times = reduce(Times.and_then, (phase.times for phase in some))
        ours, echo = spread(times.ours), spread(times.echo)
        load = sum(phase.load for phase in some) / len(some)
        print(
            f"{len(some)} minutes, {len(times.ours)} cues: p50 {ours.p50:.2f}, p99 {ours.p99:.1f}, "
            f"worst {ours.worst:.0f} ms; echo {echo.p50:.2f}, {echo.p99:.1f}, {echo.worst:.0f} ms; "
            f"load {load:.1f}"
        )
        if ours.p99 > P99_MS or ours.worst > WORST_MS:
            yield f"cues were late: p99 {ours.p99:.0f} ms, worst {ours.worst:.0f} ms"


def faults(phases: list[Phase]) -> Iterator[str]:
    readings = [each for phase in phases for each in phase.readings]
    later = settled(readings)
    print(f"slopes of the last {(later[-1].at_s - later[0].at_s) / MINUTE_S:.0f} minutes:")
    for gauge in ("memory_mb", "handles", "threads", "log_mb"):
        found = slope(at_rest(later, gauge), gauge)
        print(f"{gauge:10}{found.an_hour:+8.2f} an hour, give or take {2 * found.error:.2f}")
        is_sure = 2 * found.error < MEMORY_MB_AN_HOUR
        if gauge != "log_mb" and is_sure and found.an_hour > MEMORY_MB_AN_HOUR:
            yield f"{gauge} grows by {found.an_hour:.1f} an hour"
    if max(each.log_mb for each in readings) > LOG_MB:
        yield f"the log grew to {max(each.log_mb for each in readings):.0f} MB"
    if lost := sum(phase.times.ours_lost for phase in phases):
        yield f"{lost} motions without a cue"


def settled(readings: list[Reading]) -> list[Reading]:
    """What is left once every prop has an hour of starts to remember, where that is enough."""
    after = [each for each in readings if each.at_s - readings[0].at_s > REMEMBERED_S]
    enough = after and after[-1].at_s - after[0].at_s >= JUDGED_S
    return after if enough else readings[round(len(readings) * WARM_SHARE) :]


def at_rest(readings: list[Reading], gauge: str) -> list[Reading]:
    """The least of each ten: what comes and goes with phones and backups is no growth."""
    tens = [readings[at : at + 10] for at in range(0, len(readings), 10)]
    return [min(each, key=lambda one: float(getattr(one, gauge))) for each in tens]


def main() -> int:
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder, site(Path(folder)) as at:
        with busy_store(at.server.data, FOR_HOURS) as beside:
            phases = list(minutes_of(at, minutes))
        print(", ".join(f"{count} {what}" for what, count in beside.items()))
    broken = [*late(phases), *faults(phases)]
    for each in broken:
        print(f"BROKEN: {each}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
