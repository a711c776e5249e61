"""What a board with a credential of its own might try, and what must come of each try.

The expected side is a model of a few lines made of the contract's own lists; the seen side is a
spy that the broker lets read everything.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from haunt.mqtt.credentials import hashed
from haunt.wire.topics import DOWN_KINDS, UP_KINDS, Topics
from tests.mqtt.raw import Message, RawClient, Will, connect, publish, subscribe
from tests.mqtt.stage import Garden, until

SPY = b"spy"
SPY_PASSWORD = "for tests"
ROGUE, VICTIM = "b2", "b1"
TOPICS = Topics("garden")
WRITES = ("publish", "publish at once", "publish retained", "will", "will retained")


class Seen(NamedTuple):
    """One try: who did what, what had to come of it, and what did."""

    verb: str
    topic: bytes
    expected: bool
    seen: bool

    @property
    def good(self) -> bool:
        return self.expected == self.seen

    def row(self) -> str:
        word = {True: "delivered", False: "nothing"}
        told = self.topic.decode("utf-8", "backslashreplace")
        return f"{self.verb:17} {told!r:44.44} {word[self.expected]:10} {word[self.seen]}"


def topics_to_try() -> list[bytes]:
    """Own, others', everybody's, the controller's, other shows', and what is no topic at all."""
    found = [
        f"haunt/garden/{board}/{kind}"
        for board in (ROGUE, VICTIM, "nobody", "all", "controller", f"{ROGUE}x", "")
        for kind in (*UP_KINDS, *DOWN_KINDS, "beat", "stop", "ping", "", "x/y")
    ]
    found += [
        "haunt", "haunt/garden", "haunt/garden/", "/haunt/garden/b2/motion", "haunt//b2/motion",
        "haunt/garden/b2/motion/", "haunt/garden/B2/motion", "HAUNT/garden/b2/motion",
        "haunt/garden/b2/motion ", "haunt/garden/b2 /motion", "haunt/other/b2/motion",
        "haunt/garden/%u/motion", "haunt/garden/%c/motion", "haunt/garden/b2/../b1/motion",
        "haunt/garden/\uff422/motion", "haunt/garden/b2\u200b/motion", "$SYS/broker/x",
        "$share/g/x", "$CONTROL/x", "\u00fc", "x" * 1000, "haunt/garden/b1/motion\u0001",
        "/", "//", " ",
    ]  # fmt: skip
    odd = [
        b"haunt/garden/b2/\xff", b"\xc0\x80", b"haunt/garden/b2/motion\x00", b"\xed\xa0\x80", b"",
        b"haunt/garden/+/motion", b"haunt/garden/#", b"#", b"+", b"haunt/garden/b2/+",
    ]  # fmt: skip
    return [each.encode() for each in found] + odd


def filters_to_try() -> list[bytes]:
    filters = [
        "#", "+/#", "+/+/+/+", "haunt/#", "haunt/garden/#", "haunt/garden/+/cue",
        "haunt/garden/+/settings", "haunt/+/b2/cue", "haunt/garden/b1/#", "haunt/garden/b2/#",
        "haunt/garden/all/#", "haunt/garden/all/+", "$SYS/#", "$share/g/haunt/garden/#",
        "$share/g/haunt/garden/b1/cue", "haunt/garden/controller/#", "/#", "+",
    ]  # fmt: skip
    return [each.encode() for each in filters] + topics_to_try()


def may_write(board: str, topic: bytes) -> bool:
    return topic in {each.encode() for each in TOPICS.board_may_write(board)}


def may_read(board: str, topic: bytes) -> bool:
    own = {TOPICS.of(board, kind).encode() for kind in DOWN_KINDS}
    # `all/#` covers its own parent level, by the standard (4.7.1.2).
    return topic in own or topic == b"haunt/garden/all" or topic.startswith(b"haunt/garden/all/")


def matches(wanted: bytes, topic: bytes) -> bool:
    """By the standard's section 4.7, in a form that has nothing of the broker's."""
    parts = wanted.split(b"/")
    if parts[0] == b"$share":
        parts = parts[2:]
    levels = topic.split(b"/")
    if topic.startswith(b"$") and parts[0][:1] in (b"#", b"+"):
        return False
    for at, part in enumerate(parts):
        if part == b"#":
            return len(levels) >= at
        if at >= len(levels) or part not in (b"+", levels[at]):
            return False
    return len(parts) == len(levels)


def let_in_a_spy(garden: Garden) -> RawClient:
    """Append to the files of the running broker an account that reads and writes everything."""
    with (garden.folder / "passwords").open("a") as passwords:
        passwords.write(f"{SPY.decode()}:{hashed(SPY_PASSWORD)}\n")
    acl = garden.folder / "acl"
    acl.write_text(
        f"user {SPY.decode()}\ntopic readwrite #\ntopic readwrite $SYS/#\n\n{acl.read_text()}"
    )
    garden.kept.reload()
    spies: list[RawClient] = []

    def is_in() -> bool:
        spies.append(RawClient(garden.kept.port))
        return spies[-1].sign_in(connect(SPY, SPY_PASSWORD.encode())) == 0

    until(is_in, "the spy to be let in")
    for each in spies[:-1]:
        each.close()
    spies[-1].send(subscribe(b"#"))
    spies[-1].heard()
    return spies[-1]


def signed_in(garden: Garden, board: str, will: Will | None = None) -> RawClient | None:
    client = RawClient(garden.kept.port)
    raw = connect(board.encode(), garden.passwords[board].encode(), will=will)
    if client.sign_in(raw) == 0:
        return client
    client.close()
    return None


def try_writes(
    garden: Garden, spy: RawClient, verbs: Sequence[str], topics: Sequence[bytes]
) -> Iterator[Seen]:
    """Each verb on each topic by the rogue; the spy tells what the broker handed on."""
    number = 0
    for verb in verbs:
        for topic in topics:
            number += 1
            mark = b"%s %d" % (verb.encode(), number)
            _write(garden, verb, topic, mark)
            came = [each for each in spy.heard() if each.payload == mark]
            expected = may_write(ROGUE, topic)
            yield Seen(verb, topic, expected, bool(came))
            for each in came:  # nor under another name
                yield Seen(f"{verb}, as told", each.topic, expected=True, seen=each.topic == topic)


def _write(garden: Garden, verb: str, topic: bytes, mark: bytes) -> None:
    retain = "retained" in verb
    if verb.startswith("will"):
        forger = signed_in(garden, ROGUE, Will(topic, mark, retain=retain))
        if forger is not None:
            forger.vanish()
        after = signed_in(garden, ROGUE)  # the forger's session is closed by then
        assert after is not None
        after.close()
        return
    rogue = signed_in(garden, ROGUE)
    assert rogue is not None
    with rogue:
        rogue.send(publish(topic, mark, qos=0 if verb == "publish at once" else 1, retain=retain))
        rogue.is_open()  # the broker has dealt with it, or has hung up


def try_reads(
    garden: Garden, spy: RawClient, filters: Sequence[bytes], topics: Sequence[bytes]
) -> Iterator[Seen]:
    """Each filter by the rogue, while somebody who may speaks on every topic there is."""
    valid = [each for each in topics if is_topic(each)]
    for wanted in filters:
        rogue = signed_in(garden, ROGUE)
        assert rogue is not None
        with rogue:
            kept = _after_subscribing(rogue, wanted)
            if kept is None:
                yield Seen("subscribe", wanted, expected=False, seen=False)
                continue
            for topic in valid:
                spy.send(publish(topic, b"for whom it is", qos=0))
            spy.heard()
            came = {each.topic for each in (*kept, *rogue.heard())}
            for topic in valid:
                expected = matches(wanted, topic) and may_read(ROGUE, topic)
                yield Seen(
                    f"read by {wanted.decode(errors='replace')}", topic, expected, topic in came
                )
            for topic in came - set(valid):
                yield Seen("read unasked", topic, expected=False, seen=True)


def _after_subscribing(rogue: RawClient, wanted: bytes) -> list[Message] | None:
    """Return the retained messages that came, None where the broker hung up."""
    try:
        rogue.send(subscribe(wanted))
        return rogue.heard()
    except OSError:
        return None


def is_topic(raw: bytes) -> bool:
    """Whether a message may be published on it at all, by the standard."""
    try:
        found = raw.decode()
    except UnicodeDecodeError:
        return False
    is_spoilt = any(each in found for each in "+#\x00") or any(ord(c) < 32 for c in found)
    return bool(found) and not is_spoilt and not found.startswith(("$share", "$CONTROL"))
