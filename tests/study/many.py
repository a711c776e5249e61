"""`python -m tests.study.many --seeds 1000`: whole nights with faults, each from its seed alone.

Of two nights one is rough (odd seeds: links, boards, broker, store and controller fail, the crew is
busy), and one is calm but for bad boards, whose neighbours are then held to the same night without
them. `--kind rough` or `--kind bad` plays one kind only; bad boards are over in 1.5 hours.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache, partial
from itertools import count, islice
from pathlib import Path
from time import perf_counter

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.core.decisions import Decision
from haunt.core.invariants import CoreBug, check_all
from haunt.study.chance import Chance
from haunt.study.faults import ROUGH, Faults
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile
from tests.study.badboards import (
    NAMED_WITHIN_MS,
    OF_A_SENSOR,
    Bad,
    BadBoard,
    make_bad,
    reach,
    sensors_of,
)
from tests.study.yards import yard

ROOT = Path(__file__).resolve().parents[2]
OPENING_MS = 1_793_460_600_000  # 2026-10-31T15:30:00Z: an hour before the example's doors
HOUR_MS, MINUTE_MS = 3_600_000, 60_000
BAD_FOR_MS, SETTLES_MS = 10 * MINUTE_MS, 5 * MINUTE_MS
BAD_MAX = 3
LOOK_MS = 5_000
KEPT_MS = 1_000
"""What was decided in the last moment is not in the journal yet, of one night or the other."""
TOLD_EVERY = 100
CALM = Faults(jitter_ms=0)
"""No jitter: whenever a board says hello all hear one more beat, and each beat may better a board's
idea of our clock by the jitter. So a neighbour's motion would be dated a millisecond otherwise.
"""
WORKERS = 2


@dataclass(slots=True)
class Outcome:
    """One night. `wrong` are broken promises in words."""

    seed: int
    wrong: list[str] = field(default_factory=list)
    injected: Counter[str] = field(default_factory=Counter)
    losses: Counter[str] = field(default_factory=Counter)
    motions: int = 0
    fired: int = 0
    restarts: int = 0
    healed_ms: int = 0
    named_ms: int = 0


@cache
def shows() -> tuple[ShowFile, ...]:
    garden = read_show((ROOT / "haunt" / "examples" / "garden.toml").read_text(), "garden").show
    return (garden, yard(16, props_a_board=2, island=4), yard(24, props_a_board=3, island=6))


def world_of(seed: int, faults: Faults, *, keep: bool, after_ms: int = 0) -> World:
    file = shows()[seed // 2 % len(shows())]
    chance = Chance(seed, "scene")
    return World(
        file,
        make_brain,
        seed=seed,
        wall_ms=OPENING_MS + after_ms,
        traffic=Traffic(groups_per_hour=chance.between(20, 120)),
        faults=faults,
        sunset=sunset_of(file),
        keep=keep,
    )


def play(seed: int, hours: float) -> Outcome:
    return _rough(seed, hours) if seed % 2 else _bad(seed, hours)


def _rough(seed: int, hours: float) -> Outcome:
    world = world_of(seed, ROUGH, keep=False).run(round(hours * HOUR_MS)).heal()
    return _outcome(world)


def _outcome(world: World) -> Outcome:
    verdict = world.verdict()
    found = Outcome(world.seed, [*verdict.troubles])
    try:
        check_all(world.running.arbiter.night)
    except CoreBug as bug:
        found.wrong.append(str(bug))
    found.injected.update(verdict.injected)
    found.losses.update(verdict.losses)
    found.motions, found.fired = verdict.motions, verdict.fired
    found.restarts, found.healed_ms = verdict.restarts, verdict.healed_ms or 0
    return found


# --- nights that are calm but for bad boards


def _bad(seed: int, hours: float) -> Outcome:
    world, bad, seen = _with_bad(seed, hours)
    found = _outcome(world)
    found.injected.update(str(each.kind) for each in bad)
    for each in bad:
        found.wrong += _named(world, each, found)
    found.wrong += [*_named_else(world, bad), *seen]
    show = world.controller.prepared.show
    touched = {prop for each in bad for prop in reach(show, each.board)}
    if len(touched) < len(show.props):
        good = world_of(seed, CALM, keep=True, after_ms=HOUR_MS).run(round(hours * HOUR_MS))
        found.wrong += _differences(world, good, touched)
        found.wrong += _played_else(world, good, touched)
    return found


def _with_bad(seed: int, hours: float) -> tuple[World, list[BadBoard], list[str]]:
    """Some boards go bad one after the other, each for ten minutes; and what the state left out."""
    world, chance = world_of(seed, CALM, keep=True, after_ms=HOUR_MS), Chance(seed, "bad")
    until_ms = world.schedule.now_ms + round(hours * HOUR_MS)
    able = [each.id for each in world.file.boards if sensors_of(world, each.id)]
    bad, wrong = list[BadBoard](), list[str]()
    world.run(SETTLES_MS)
    for _ in range(1 + chance.below(BAD_MAX)):
        if world.schedule.now_ms + BAD_FOR_MS + 3 * SETTLES_MS > until_ms:
            break
        kind = [*Bad][chance.below(len(Bad))]
        board = able.pop(chance.below(len(able)))
        bad.append(make_bad(world, kind, board, seed))
        wrong += _seen(world, bad[-1])
        bad[-1].end()
        world.run(SETTLES_MS)
    world.run(until_ms - world.schedule.now_ms)
    return world.heal(), bad, wrong


def _seen(world: World, bad: BadBoard) -> Iterator[str]:
    """It is bad for its while: the state that pages show must name it in time too."""
    until_ms, seen_ms = world.schedule.now_ms + BAD_FOR_MS, None
    while world.schedule.now_ms < until_ms:
        world.run(LOOK_MS)
        if seen_ms is None:
            view, of_sensor = world.view(), bad.kind in OF_A_SENSOR
            faults = (view.sensors if of_sensor else view.boards)[bad.subject].faults
            seen_ms = world.schedule.now_ms if bad.kind in faults else None
    if bad.shown_ms is None or bad.shown_ms > until_ms - NAMED_WITHIN_MS:
        return
    if seen_ms is None or seen_ms > bad.shown_ms + NAMED_WITHIN_MS:
        yield f"{bad.key} was not in the state in time"


def _named(world: World, bad: BadBoard, found: Outcome) -> Iterator[str]:
    """One alert, in time; the same number however often it was told."""
    rows = [(ms, row) for ms, row in world.alerts() if row.key == bad.key]
    if bad.shown_ms is None:
        return
    if not rows:
        yield f"{bad.key} was never named"
        return
    took_ms = rows[0][0] - bad.shown_ms
    if took_ms > NAMED_WITHIN_MS:
        yield f"{bad.key} was named after {took_ms} ms"
    found.named_ms = max(found.named_ms, took_ms)
    if len({row.alert for _ms, row in rows}) != 1:
        yield f"{bad.key} has several alerts"


def _named_else(world: World, bad: Iterable[BadBoard]) -> Iterator[str]:
    keys = {each.key for each in bad}
    others = {row.key for _ms, row in world.alerts()} - keys
    yield from (f"{key} was named for no reason" for key in sorted(others))


def _differences(world: World, good: World, touched: set[str]) -> Iterator[str]:
    until_ms = good.schedule.now_ms - KEPT_MS
    ours, theirs = ([*decisions_of(each, touched, until_ms)] for each in (world, good))
    for one, other in zip(ours, theirs, strict=False):
        if one != other:
            yield f"a neighbour's decision differs: {one} was {other}"
            return
    if len(ours) != len(theirs):
        yield f"neighbours have {len(ours)} decisions, were {len(theirs)}"


def _played_else(world: World, good: World, touched: set[str]) -> Iterator[str]:
    """What really went on at boards, to the instant."""
    until_ms = good.schedule.now_ms - KEPT_MS
    for name, board in world.boards.items():
        ours, theirs = (
            [each for each in of.played if each.prop not in touched and each.at_ms <= until_ms]
            for of in (board, good.boards[name])
        )
        if ours != theirs:
            yield f"{name} played {len(ours)} times what was to be untouched, not {len(theirs)}"


def decisions_of(world: World, touched: set[str], until_ms: int) -> Iterator[Decision]:
    for each in world.log.decisions():
        if each.prop is not None and each.prop not in touched and each.at_ms <= until_ms:
            yield each


# --- many of them


def seeds_of(kind: str, first: int, number: int) -> list[int]:
    """Return so many from the first on: of rough nights, of nights with bad boards, or of both."""
    rest = {"rough": {1}, "bad": {0}, "both": {0, 1}}[kind]
    return [*islice((seed for seed in count(first) if seed % 2 in rest), number)]


def many(seeds: Iterable[int], hours: float, workers: int) -> Iterator[Outcome]:
    if workers == 1:
        yield from map(partial(play, hours=hours), seeds)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(partial(play, hours=hours), seeds, chunksize=4)


def main() -> int:
    words = argparse.ArgumentParser(prog="tests.study.many", description=__doc__)
    words.add_argument("--seeds", type=int, default=100, help="how many")
    words.add_argument("--first", type=int, default=1)
    words.add_argument("--hours", type=float, default=5.0)
    words.add_argument("--workers", type=int, default=WORKERS)
    words.add_argument("--kind", choices=("both", "rough", "bad"), default="both")
    asked = words.parse_args()
    seeds = seeds_of(asked.kind, asked.first, asked.seeds)
    began, total, failed = perf_counter(), Outcome(0), []
    for played, outcome in enumerate(many(seeds, asked.hours, asked.workers), 1):
        _add(total, outcome)
        if outcome.wrong:
            failed.append(outcome.seed)
            for each in outcome.wrong[:5]:
                print(f"seed {outcome.seed}: {each}", flush=True)
        if played % TOLD_EVERY == 0 and played < len(seeds):
            print(f"{played} of {len(seeds)}, {len(failed)} failed", flush=True)
    _tell(total, len(seeds), perf_counter() - began)
    if failed:
        print(f"{len(failed)} nights broke a promise; the first is seed {failed[0]}: again with")
        print(f"  python -m tests.study.many --first {failed[0]} --seeds 1 --hours {asked.hours:g}")
    else:
        print("every promise held")
    return 1 if failed else 0


def _add(total: Outcome, more: Outcome) -> None:
    total.injected.update(more.injected)
    total.losses.update(more.losses)
    total.motions += more.motions
    total.fired += more.fired
    total.restarts += more.restarts
    total.healed_ms = max(total.healed_ms, more.healed_ms)
    total.named_ms = max(total.named_ms, more.named_ms)


def _tell(total: Outcome, seeds: int, took_s: float) -> None:
    print(f"{seeds} nights in {took_s:.0f} s, {seeds / took_s:.2f} a second")
    print(f"{total.motions:,} motions, {total.fired:,} fired, {total.restarts:,} restarts")
    for what, number in sorted(total.injected.items()):
        print(f"{number:9,} {what}")
    for what, number in sorted(total.losses.items()):
        print(f"{number:9,} motions {what}")
    print(f"longest until all was well: {total.healed_ms / 1000:.0f} s")
    print(f"longest until a bad board was named: {total.named_ms / 1000:.0f} s")


if __name__ == "__main__":
    sys.exit(main())
