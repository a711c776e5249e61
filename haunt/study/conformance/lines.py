"""Checks of the connection: how it signs in, what it leaves behind, how it comes back."""

from typing import Final

from haunt.study.conformance.bench import Bench
from haunt.study.conformance.cues import judged
from haunt.study.conformance.verdicts import Check, Seen, bad, good, untried
from haunt.wire.errors import BoardSpokeNonsense
from haunt.wire.packets import Will
from haunt.wire.payloads import Gone, decode
from haunt.wire.topics import QOS, RETAINED

COMES_MS: Final = 30_000
"""A board that found no broker for a while tries again after seconds, not at once."""
WILL_MS: Final = 2000
KEEPALIVE_MAX_S: Final = 10
UNSEEN: Final = "the broker is not ours, so its lines cannot be looked into or cut"
SHOWN_MAX: Final = 3


def sign_in(bench: Bench) -> Seen:
    if not bench.wire.sees_line:
        return untried(UNSEEN)
    found = bench.sign_in()
    if found is None:
        return bad("no sign-in came")
    faults = []
    if not found.clean_session:
        faults.append("it asks for a kept session: old cues would wait for it")
    if found.client_id != bench.subject.board:
        faults.append(f"client id {found.client_id!r}")
    if not 1 <= found.keepalive_s <= KEEPALIVE_MAX_S:
        faults.append(f"keepalive {found.keepalive_s} s")
    return bad("; ".join(faults)) if faults else good(f"keepalive {found.keepalive_s} s")


def presence(bench: Bench) -> Seen:
    if not bench.here:
        bench.lost = True
        return bad(f"no `here` within {COMES_MS // 1000} s")
    here = bench.here[-1][1]
    told = f"boot {here.boot}, connection {here.conn}, up {here.up_ms} ms, {here.reset}"
    return good(told + (f", firmware {here.fw}" if here.fw else ""))


def will(bench: Bench) -> Seen:
    """Read in the sign-in, then seen to be said: the line is cut as a dead access point would."""
    if not bench.wire.sees_line:
        return untried(UNSEEN)
    found = bench.sign_in()
    fault = _will_fault(bench, found.will if found is not None else None)
    bench.hush()  # what follows needs a connection on which no beat has been heard
    told = len(bench.gone)
    bench.cuts.append(bench.wire.now_ms())
    bench.wire.cut()
    came = bench.until(lambda: len(bench.gone) > told, WILL_MS)
    if fault:
        return bad(fault)
    if not came:
        return bad(f"no `gone` within {WILL_MS} ms of a cut line")
    return good(f"`gone` came {bench.gone[-1][0] - bench.cuts[-1]} ms after the line was cut")


def comes_back(bench: Bench) -> Seen:
    if not bench.cuts:
        return untried(UNSEEN)
    before, told = bench.here[-1][1], len(bench.here)
    bench.kept = bench.cue()
    bench.send(bench.kept, retain=True)
    bench.wire.let_back()
    if not bench.until(lambda: len(bench.here) > told, COMES_MS):
        bench.lost = True
        return bad(f"it did not come back within {COMES_MS // 1000} s")
    after = bench.here[-1][1]
    if after.boot != before.boot:
        return bad("another boot: a lost line made it start anew")
    words = f"the same boot, connection {after.conn} after {before.conn}"
    # Attempts that we turned away may count, or may not: they never got as far as a presence.
    return good(words) if after.conn > before.conn else bad(words)


def retained(bench: Bench) -> Seen:
    """`no-beat` is as true at this moment; both say that it knows better than to play."""
    if bench.kept is None:
        return untried(UNSEEN)
    found = judged(bench, bench.kept, 0, ("retained", "no-beat"))
    bench.send_raw(b"", retain=True)  # else whoever comes next would find it
    return found


def no_beat(bench: Bench) -> Seen:
    if not bench.cuts:
        return untried(UNSEEN)
    cue = bench.cue()
    bench.send(cue)
    found = judged(bench, cue, 0, ("no-beat",))
    bench.beat()
    bench.fence()
    return found


def flags(bench: Bench) -> Seen:
    if not bench.wire.sees_line:
        return untried(UNSEEN)
    faults = []
    for said in bench.wire.said():
        found = bench.topics.parse(said.topic)
        if found is None or found.board != bench.subject.board:
            faults.append(f"it wrote to {said.topic}")
        elif (said.qos, said.retain) != (QOS[found.kind], found.kind in RETAINED):
            kept = "retained" if said.retain else "not retained"
            faults.append(f"{found.kind} came with QoS {said.qos}, {kept}")
    told = list(dict.fromkeys(faults))[:SHOWN_MAX]
    return bad("; ".join(told)) if told else good(f"{len(bench.wire.said())} messages looked at")


def _will_fault(bench: Bench, found: Will | None) -> str:
    if found is None:
        return "it signs in without a last will"
    if found.topic != bench.topics.presence(bench.subject.board):
        return f"its will is for {found.topic}"
    if found.qos != 1 or not found.retain:
        return f"its will has QoS {found.qos}, {'' if found.retain else 'not '}retained"
    return _word_fault(bench, found.payload)


def _word_fault(bench: Bench, payload: bytes) -> str:
    here = bench.here[-1][1]
    try:
        said = decode("presence", payload)
    except BoardSpokeNonsense as fault:
        return f"its will cannot be read: {fault.why}"
    if not isinstance(said, Gone):
        return "its will says that it is here"
    if (said.boot, said.conn) != (here.boot, here.conn):
        return f"its will names connection {said.conn} of {said.boot}, not this one"
    return ""


FIRST: Final = (
    Check("presence", "`here` with boot, connection, up time and cause of the start", presence),
    Check("sign-in", "clean session, its own id as client id, keepalive at most 10 s", sign_in),
)
CUT: Final = (
    Check("will", "a kept `gone` of this boot and connection, said when the line is lost", will),
    Check("conn", "it comes back with the same boot and a higher connection", comes_back),
    Check("retained", "a retained cue is refused `retained`", retained),
    Check("no-beat", "before the first beat of a connection a cue is refused `no-beat`", no_beat),
)
FLAGS: Final = Check("flags", "its own topics, each with its QoS and retain flag", flags)
