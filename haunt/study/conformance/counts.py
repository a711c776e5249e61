"""Checks of what was said over the whole run: its pace, its counts, its numbers, its grammar."""

from collections import defaultdict
from itertools import pairwise
from typing import Final

from haunt.study.conformance.bench import Bench
from haunt.study.conformance.verdicts import Check, Seen, bad, good, untried
from haunt.wire.payloads import Motion

HEALTH_MS: Final = 5000
LATE_MS: Final = 1000
"""On top of the five seconds: the board's loop and the air."""
DATED_OFF_MS: Final = 1000
UNREADABLE: Final = 2  # the oversize payload and the mistyped cue
SHOWN_MAX: Final = 2


def pace(bench: Bench) -> Seen:
    """The first is due once it is here. A gap in which we cut the line is ours."""
    marks = sorted(at_ms for at_ms, _said in (*bench.here, *bench.health))
    gaps = [
        after - before
        for before, after in pairwise(marks)
        if not any(before < cut <= after for cut in bench.cuts)
    ]
    if not bench.health:
        return bad("no health in the whole run")
    words = f"{len(bench.health)} of them, at most {max(gaps)} ms apart"
    return good(words) if max(gaps) <= HEALTH_MS + LATE_MS else bad(words)


def starts(bench: Bench) -> Seen:
    prop = bench.subject.prop
    if not bench.health or prop not in bench.health[-1][1].starts:
        return untried("its health has no starts of this prop")
    counted = bench.health[-1][1].starts[prop] - bench.health[0][1].starts.get(prop, 0)
    told = sum(each.report.state == "started" for rows in bench.reports.values() for each in rows)
    words = f"{told} `started`, {counted} counted"
    return good(words) if told == counted else bad(words)


def counts_bad(bench: Bench) -> Seen:
    """The oversize one may have been dropped before anybody could count it."""
    told = [health.bad for _at, health in bench.health if health.bad is not None]
    if not told:
        return untried("its health has no `bad`, which it need not have")
    grown = told[-1] - told[0]
    words = f"`bad` grew by {grown}; {UNREADABLE} could not be read"
    return good(words) if 1 <= grown <= UNREADABLE else bad(words)


def motions(bench: Bench) -> Seen:
    """Told twice is told once: the same numbers may come again after a lost line."""
    if not bench.motions:
        return untried("no sensor was set off (--motion-s waits for one)")
    by_boot: defaultdict[str, list[int]] = defaultdict(list)
    for _at, motion in bench.motions:
        if motion.seq not in by_boot[motion.boot]:
            by_boot[motion.boot].append(motion.seq)
    for numbers in by_boot.values():
        wanted = list(range(numbers[0], numbers[0] + len(numbers)))
        if numbers != wanted:
            return bad(f"seq {numbers}; expected {wanted}")
    off = [at_ms for each in bench.motions if (at_ms := _dated_off_ms(*each)) is not None]
    if off and max(off) > DATED_OFF_MS:
        return bad(f"dated {max(off)} ms away from when it was sensed")
    return good(f"{len(bench.motions)} motions, none missing" + (", dated" if off else ""))


def one_boot(bench: Bench) -> Seen:
    """A board that starts anew by itself during a quarter of a minute has a fault."""
    boots = {each.report.boot for rows in bench.reports.values() for each in rows}
    boots |= {each.boot for _at, each in bench.here} | {each.boot for _at, each in bench.gone}
    boots |= {each.boot for _at, each in bench.health} | {each.boot for _at, each in bench.motions}
    if len(boots) > 1:
        return bad(f"{len(boots)} boots: {', '.join(sorted(boots)[:SHOWN_MAX])}")
    ups = [health.up_ms for _at, health in bench.health]
    if ups != sorted(ups):
        return bad("its up time went back")
    return good(f"boot {', '.join(boots)} throughout")


def grammar(bench: Bench) -> Seen:
    if bench.nonsense:
        return bad("; ".join(bench.nonsense[:SHOWN_MAX]))
    return good(f"{bench.read} payloads read")


def _dated_off_ms(at_ms: int, motion: Motion) -> int | None:
    if motion.at_ms is None:
        return None
    return abs(at_ms - motion.age_ms - motion.at_ms)


LAST: Final = (
    Check("health", "health every 5 s, and at once when epoch or stopped change", pace),
    Check("starts", "its health counts every start once", starts),
    Check("counts-bad", "`bad` counts what cannot be read, and nothing else", counts_bad),
    Check("motions", "motions are numbered by boot without a gap, and dated right", motions),
    Check("boot", "one boot throughout, and up time goes on", one_boot),
    Check("payloads", "every payload keeps to its schema", grammar),
)
