"""Checks of cues: which play, which are refused and why, and that they end in time."""

from typing import Final

from haunt.study.conformance.bench import (
    ANSWER_MS,
    PLAY_MS,
    SLACK_MS,
    Bench,
    Timed,
    ending,
)
from haunt.study.conformance.verdicts import Check, Seen, bad, good, untried
from haunt.wire.errors import PAYLOAD_BYTES_MAX
from haunt.wire.payloads import Cue, encode

OVERDUE_MS: Final = 3000
"""More than any air or loop adds, so that nobody is called late for a slow minute."""


def plays(bench: Bench) -> Seen:
    cue = bench.cue()
    started = _start(bench, cue)
    if isinstance(started, Seen):
        return started
    bench.played = cue.cue
    bench.end_of(cue)
    return good(f"started after {started.at_ms - cue.sent_ms} ms")


def ends(bench: Bench) -> Seen:
    """A longer behaviour says more, but also moves its prop longer: `max_ms` is what counts."""
    longest = bench.subject.long if bench.subject.long_ms > PLAY_MS else ""
    cue = bench.cue(longest)
    started = _start(bench, cue)
    if isinstance(started, Seen):
        return untried(f"it did not start: {started.words}")
    end = bench.end_of(cue)
    allowed = f"max_ms {PLAY_MS} and {SLACK_MS} ms for the way"
    if end is None:
        bench.still()
        return bad(f"no end within {PLAY_MS + 2 * SLACK_MS} ms; allowed: {allowed}")
    took_ms = end.at_ms - started.at_ms
    words = f"{end.report.state} after {took_ms} ms"
    return good(words) if took_ms <= PLAY_MS + SLACK_MS else bad(f"{words}; allowed: {allowed}")


def repeat(bench: Bench) -> Seen:
    """Of this epoch, then of a newer one: the id alone counts."""
    if not bench.played:
        return untried("nothing has played that could be repeated")
    for where in ("in the same epoch", "in a newer epoch"):
        again = bench.cue().model_copy(update={"cue": bench.played})
        found = _refused(bench, again, ("repeat",))
        if found.verdict != "good":
            return bad(f"{found.words}, {where}")
        bench.epoch += 1
        bench.beat()
    return good("refused repeat, twice")


def late(bench: Bench) -> Seen:
    cue = bench.cue()
    overdue = cue.model_copy(update={"sent_ms": cue.sent_ms - cue.ttl_ms - OVERDUE_MS})
    return _refused(bench, overdue, ("late",))


def old_epoch(bench: Bench) -> Seen:
    bench.epoch += 1
    bench.beat()
    cue = bench.cue().model_copy(update={"epoch": bench.epoch - 1})
    found = _refused(bench, cue, ("old-epoch",))
    told = bench.reports[cue.cue][0].report.epoch if bench.reports[cue.cue] else None
    if found.verdict == "good" and told != bench.epoch:
        return bad(f"{found.words}, but names epoch {told}, not {bench.epoch}")
    return found


def later_keys(bench: Bench) -> Seen:
    cue = bench.cue()
    bench.send_raw(encode(cue)[:-1] + b',"later":{"key":[1,{"deep":"\\u00e9"}]},"flag":null}')
    return _plays(bench, cue)


def oversize(bench: Bench) -> Seen:
    cue = bench.cue()
    raw = encode(cue)[:-1] + b',"later":"'
    return _ignored(bench, cue, raw + b"x" * (PAYLOAD_BYTES_MAX + 50 - len(raw)) + b'"}')


def mistyped(bench: Bench) -> Seen:
    cue = bench.cue()
    wrong = encode(cue).replace(f'"max_ms":{cue.max_ms}'.encode(), b'"max_ms":"soon"')
    return _ignored(bench, cue, wrong)


def _start(bench: Bench, cue: Cue) -> Timed | Seen:
    bench.send(cue)
    return _started(bench, cue)


def _started(bench: Bench, cue: Cue) -> Timed | Seen:
    answers = bench.answers(cue.cue)
    if not answers:
        return bad(f"no report within {ANSWER_MS} ms")
    first = answers[0].report
    if first.state != "started":
        return bad(f"{first.state} {first.why or 'without why'}")
    return answers[0]


def _plays(bench: Bench, cue: Cue) -> Seen:
    started = _started(bench, cue)
    if isinstance(started, Seen):
        return started
    bench.end_of(cue)
    return good("it played")


def _refused(bench: Bench, cue: Cue, whys: tuple[str, ...]) -> Seen:
    """Whether the next report on this id is a refusal for one of these reasons."""
    before = len(bench.reports[cue.cue])
    bench.send(cue)
    return judged(bench, cue, before, whys)


def judged(bench: Bench, cue: Cue, before: int, whys: tuple[str, ...]) -> Seen:
    answers = bench.answers(cue.cue, before + 1)[before:]
    if not answers:
        return bad(f"no report within {ANSWER_MS} ms")
    first = answers[0].report
    if first.state == "started":
        bench.until(lambda: ending(bench.reports[cue.cue][before:]), cue.max_ms + 2 * SLACK_MS)
        return bad("it played")
    words = f"{first.state} {first.why or 'without why'}"
    return good(words) if first.state == "refused" and first.why in whys else bad(words)


def _ignored(bench: Bench, cue: Cue, raw: bytes) -> Seen:
    """A refusal is as good as silence; what counts is that the board goes on and plays nothing."""
    bench.send_raw(raw)
    bench.fence()
    if any(each.report.state == "started" for each in bench.reports[cue.cue]):
        bench.end_of(cue)
        return bad("it played")
    after = bench.cue()
    bench.send(after)
    found = _plays(bench, after)
    if found.verdict != "good":
        return bad(f"it played nothing, but the next cue failed: {found.words}")
    return good("nothing played, and the next cue did")


PLAYING: Final = (
    Check("plays", f"a good cue is answered `started` within {ANSWER_MS} ms", plays),
    Check("max-ms", "a play ends by itself at `max_ms`", ends),
)
REFUSED: Final = (
    Check("repeat", "an id that has played is refused `repeat`, in any epoch", repeat),
    Check("late", "a cue past its `ttl_ms` by the beat's clock is refused `late`", late),
    Check("old-epoch", "a cue of an older epoch is refused `old-epoch`, with the epoch", old_epoch),
    Check("later-keys", "keys of a later version change nothing", later_keys),
    Check("oversize", f"a payload above {PAYLOAD_BYTES_MAX} bytes plays nothing", oversize),
    Check("mistyped", "a cue with a mistyped value plays nothing", mistyped),
)
