"""Goal: what is lent to the firmware to make simulated nights quick changes nothing that it does.

Method: the same steps by the firmware as it is and by the one that nights are played with; and its
JSON against the standard library's.
"""

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from haunt.bootstrap.firmware import _FasterJson, firmware, make_brain
from tests.outside.registry import outside

BOOT = "7f3a91c2d405"
CONFIG: dict[str, Any] = {
    "id": "gate",
    "host": "127.0.0.1",
    "root": "haunt/yard",
    "pins": "script",
    "spread_ms": 0,
    "sensors": {"pir": {}, "halt": {"action": "stop"}},
    "props": {"keeper": {"behaviours": {"growl": {"duration_ms": 1000}}}},
}
BEAT = '{{"clock":"c1","now_ms":{now},"wall_ms":1,"epoch":{epoch}}}'
CUE = (
    '{{"cue":"x-{n}","epoch":{epoch},"prop":"keeper","behaviour":"growl","max_ms":1500,'
    '"ttl_ms":1500,"sent_ms":{now}}}'
)

words = st.text(alphabet="abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=12)
numbers = st.integers(0, 2**53 - 1)
payloads = st.dictionaries(
    words,
    st.one_of(words, numbers, st.booleans(), st.dictionaries(words, numbers, max_size=4)),
    max_size=10,
)


@given(payloads)
def test_the_lent_json_writes_the_bytes_of_the_standard_library(payload: dict[str, Any]) -> None:
    separators = (",", ":")

    assert _FasterJson.dumps(payload, separators) == json.dumps(payload, separators=separators)
    outside("json/firmware").agrees()


def _message(leaf: str, text: str) -> tuple[Any, ...]:
    return ("message", f"haunt/yard/{leaf}", text.encode(), False)


def _events(kinds: list[int]) -> list[tuple[Any, ...]]:
    events: list[tuple[Any, ...]] = [("connecting",), ("connected",)]
    for n, kind in enumerate(kinds):
        epoch, now = 1 + n // 9, 5_000 + 700 * n
        events.append(
            (
                ("tick",),
                ("sensor", "pir", n % 2 == 0),
                _message("all/beat", BEAT.format(now=now, epoch=epoch)),
                _message("all/beat", '{"clock":"c1"}'),
                _message("gate/cue", CUE.format(n=n // 2, epoch=epoch, now=now)),
                _message("all/stop", f'{{"stopped":false,"epoch":{epoch},"at_ms":1}}'),
                ("acked", n),
                ("lost",),
                ("connected",),
                ("battery", 7_000),
            )[kind]
        )
    return events


@given(st.lists(st.integers(0, 9), max_size=60))
def test_a_brain_that_says_when_it_is_due_steps_as_the_firmware_does(kinds: list[int]) -> None:
    modules = firmware()
    plain = modules["brain"].Brain(modules["config"].parse(json.dumps(CONFIG)), BOOT, "soft", 0)
    timed = make_brain(CONFIG, BOOT, "soft", 0)

    for n, event in enumerate(_events(kinds)):
        assert timed.step(700 * n, event) == plain.step(700 * n, event), event


@given(
    st.lists(st.integers(0, 9), max_size=20),
    st.lists(st.tuples(st.integers(0, 3_000), st.integers(1, 4)), max_size=12),
)
def test_beats_that_a_brain_takes_up_at_once_do_what_they_do_one_by_one(
    kinds: list[int], beats: list[tuple[int, int]]
) -> None:
    """Late or early, of the epoch that it knows or another, before it is due and after."""
    one, other = (make_brain(CONFIG, BOOT, "soft", 0) for _ in range(2))
    ms = 0
    for n, event in enumerate(_events(kinds)):
        ms = 700 * n
        one.step(ms, event)
        other.step(ms, event)
    heard: list[tuple[int, bytes]] = []
    for gap_ms, epoch in beats:
        ms += gap_ms
        heard.append((ms, BEAT.format(now=ms, epoch=epoch).encode()))

    together = one.hear_beats("haunt/yard/all/beat", heard)
    apart = [
        action
        for at_ms, payload in heard
        for action in other.step(at_ms, ("message", "haunt/yard/all/beat", payload, False))
    ]

    assert together == apart
    assert one.due_ms() == other.due_ms()
    assert one.step(ms + 9_000, ("tick",)) == other.step(ms + 9_000, ("tick",))


@given(st.lists(st.integers(0, 9), max_size=40), st.integers(1, 12_000))
def test_before_it_is_due_time_alone_makes_it_do_nothing(kinds: list[int], more_ms: int) -> None:
    brain = make_brain(CONFIG, BOOT, "soft", 0)
    events = _events(kinds)
    for n, event in enumerate(events):
        brain.step(700 * n, event)
    last_ms = 700 * (len(events) - 1)

    due_ms = brain.due_ms()
    early_ms = min(last_ms + more_ms, due_ms - 1)

    if early_ms >= last_ms:
        assert brain.step(early_ms, ("tick",)) == []
