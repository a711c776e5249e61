"""Checks of the stop and of the beat: what makes a board still, and what lets it play again."""

from typing import Final

from haunt.study.conformance.bench import PLAY_MS, SLACK_MS, Bench
from haunt.study.conformance.cues import judged
from haunt.study.conformance.verdicts import Check, Seen, Verdict, bad, good, untried

STOP_MS: Final = 1000
STOPPED_PLAY_MS: Final = 4000
SILENCE_MS: Final = 6000
OUTLASTS_MS: Final = 9000
"""How long a behaviour must be to be seen cut off by the beat's silence."""


def stop(bench: Bench) -> Seen:
    long = bench.subject.long_ms >= STOPPED_PLAY_MS
    cue = bench.cue(bench.subject.long if long else "", STOPPED_PLAY_MS)
    bench.send(cue)
    is_playing = any(each.report.state == "started" for each in bench.answers(cue.cue))
    said_ms = bench.stop(stopped=True)
    told_ms = _told(bench, said_ms, stopped=True)
    end = bench.end_of(cue, STOP_MS) if is_playing else None
    late = _not_still(bench)
    if is_playing and end is None:
        bench.end_of(cue)
        return bad(f"what played went on for more than {STOP_MS} ms")
    if late:
        return bad(late)
    if told_ms is None:
        return bad(f"no health with stopped and epoch {bench.epoch} within {STOP_MS} ms")
    bench.stopped = True
    ended = f"what played {end.report.state}, " if end is not None else ""
    return good(f"{ended}health after {told_ms} ms, then nothing played")


def old_release(bench: Bench) -> Seen:
    if not bench.stopped:
        return untried("it was not stopped")
    bench.stop(stopped=False, epoch=max(0, bench.epoch - 2), retain=False)
    played = _not_still(bench)
    return bad(f"released: {played}") if played else good("it stayed stopped")


def release(bench: Bench) -> Seen:
    """The beat follows, as it does from the controller: both carry the new epoch."""
    said_ms = bench.stop(stopped=False)
    bench.beat()
    told_ms = _told(bench, said_ms, stopped=False)
    bench.stopped = False
    if told_ms is None:
        return bad(f"no health with stopped false and epoch {bench.epoch} within {STOP_MS} ms")
    cue = bench.cue()
    bench.send(cue)
    if not any(each.report.state == "started" for each in bench.answers(cue.cue)):
        return bad("it told of the release, but played no cue after it")
    bench.end_of(cue)
    return good(f"health after {told_ms} ms, then a cue played")


def silence(bench: Bench) -> Seen:
    """Seen by a play that the silence cuts off where the board has one that long, else by cues."""
    bench.beat()
    bench.hush()
    last_ms, subject = bench.last_beat_ms, bench.subject
    seen = ""
    if subject.long_ms >= OUTLASTS_MS:
        cue = bench.cue(subject.long, OUTLASTS_MS)
        bench.send(cue)
        end = bench.end_of(cue, SILENCE_MS + STOP_MS)
        if end is None:
            bench.end_of(cue)
            bench.beat()
            return bad(f"what played went on for {SILENCE_MS + STOP_MS} ms without a beat")
        seen = f"what played {end.report.state} after {end.at_ms - last_ms} ms, "
        if end.at_ms - last_ms < SILENCE_MS - STOP_MS:
            bench.beat()
            return bad(f"{seen}which is too early")
    over_ms = last_ms + SILENCE_MS + SLACK_MS
    bench.wait_ms(max(0, over_ms - bench.wire.now_ms()))
    cue = bench.cue()
    bench.send(cue)
    found = judged(bench, cue, 0, ("no-beat",))
    bench.beat()
    if found.verdict is not Verdict.GOOD:
        return bad(f"{seen}then a cue: {found.words}")
    return _wakes(bench, f"{seen}then a cue: {found.words}")


def _wakes(bench: Bench, seen: str) -> Seen:
    cue = bench.cue()
    bench.send(cue)
    if not any(each.report.state == "started" for each in bench.answers(cue.cue)):
        return bad(f"{seen}, but with the beat back nothing plays")
    bench.end_of(cue)
    return good(seen)


def _not_still(bench: Bench) -> str:
    """A cue of this moment and epoch must not play; what happened if it did."""
    cue = bench.cue(max_ms=PLAY_MS)
    bench.send(cue)
    bench.fence()
    if any(each.report.state == "started" for each in bench.reports[cue.cue]):
        bench.end_of(cue)
        return "a cue played"
    return ""


def _told(bench: Bench, said_ms: int, *, stopped: bool) -> int | None:
    """How long after it was said the health told of it; None where it did not in time."""

    def telling() -> int | None:
        for at_ms, health in reversed(bench.health):
            if at_ms < said_ms:
                return None
            if health.stopped is stopped and health.epoch == bench.epoch:
                return at_ms - said_ms
        return None

    bench.until(lambda: telling() is not None, STOP_MS)
    return telling()


STOPS: Final = (
    Check("stop", f"a stop stills it, and health tells within {STOP_MS} ms", stop),
    Check("old-release", "a release of an older epoch releases nothing", old_release),
    Check("release", f"a release is told within {STOP_MS} ms, and cues play again", release),
)
SILENCE: Final = Check(
    "beat-loss", "6 s without a beat make it still; cues are refused `no-beat`", silence
)
