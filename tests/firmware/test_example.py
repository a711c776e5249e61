"""Goal: the C++ example reads, writes and decides as the wire's golden vectors say.

Method: its pure part, compiled here with every warning an error and its bounds watched, is told
each vector; what the example leaves out on purpose is listed by name.
"""

import json
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.example import Driven
from tests.firmware.modules import VECTORS
from tests.firmware.payload_vectors import READ, SENT, is_for_the_board
from tests.firmware.step_vectors import are_alike

NOT_KEPT = {"line", "props", "hours"}  # of a cue and of settings: read, checked, not used
FIRMWARE = "example"
CUED_BUT_LEFT_OUT: list[str] = []

PAYLOADS = [
    row
    for row in json.loads((VECTORS / "payloads.json").read_text(encoding="utf-8"))
    if is_for_the_board(row)
]
STEPS = json.loads((VECTORS / "board_steps.json").read_text(encoding="utf-8"))


def _is_cue(event: list[Any]) -> bool:
    return event[:2] == ["message", "cue"]


def left_out(row: dict[str, Any]) -> str:
    """What of a sequence the example does not do, and says so at its head; empty: nothing."""
    for step in row["steps"]:
        starts = any(each[0] == "output" and each[3] for each in step["expect"])
        if starts and not _is_cue(step["event"]):
            return "it plays nothing alone"
        if step["event"][0] == "leaving":
            return "a sketch never leaves: its power is cut"
        if step["event"][0] == "stalled":
            return "it watches no motor"
    return ""


def _sequences() -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    config: dict[str, Any] = {}
    for row in STEPS:
        if "config" in row:
            config = row["config"]
        else:
            yield config, row


SEQUENCES = [(config, row) for config, row in _sequences() if not left_out(row)]


@pytest.fixture(scope="module")
def example() -> Iterator[Driven]:
    with Driven() as made:
        yield made


@pytest.mark.parametrize(
    "row", [row for row in PAYLOADS if row["kind"] in READ], ids=lambda row: row["name"]
)
def test_it_reads_what_is_good_and_refuses_what_is_not(
    example: Driven, row: dict[str, Any]
) -> None:
    found = example.read(row["kind"], row["payload"].encode())

    wanted = row["value"]
    if wanted is not None:
        wanted = {key: str(value) for key, value in wanted.items() if key not in NOT_KEPT}
    assert found == wanted


@pytest.mark.parametrize(
    "row", [row for row in PAYLOADS if row["kind"] in SENT], ids=lambda row: row["name"]
)
def test_it_writes_what_a_value_says(example: Driven, row: dict[str, Any]) -> None:
    said = json.loads(row["payload"])
    wanted = {key: row["value"][key] for key in said if key in row["value"]}
    if "clock" not in wanted:
        wanted.pop("at_ms", None)  # it never says one without the other

    written = example.write(row["kind"], wanted)

    assert wanted.items() <= written.items()


@pytest.mark.parametrize(
    ("config", "row"), SEQUENCES, ids=[row["name"] for _config, row in SEQUENCES]
)
def test_it_decides_as_the_steps_say(
    example: Driven, config: dict[str, Any], row: dict[str, Any]
) -> None:
    player = Player(example, config, acks=row.get("acks", True))
    for step in row["steps"]:
        got = player.actions(step["ms"], step["event"])
        assert are_alike(got, _of_the_example(step["expect"])), f"at {step['ms']}: {got}"


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)
GOOD = {row["kind"]: row["value"] for row in PAYLOADS if row["kind"] in READ and row["valid"]}


@given(kind=st.sampled_from(READ), drawn=st.data(), value=json_values, ascii_only=st.booleans())
def test_it_takes_what_the_other_firmware_takes(
    example: Driven,
    firmware: SimpleNamespace,
    kind: str,
    drawn: st.DataObject,
    value: object,
    ascii_only: bool,
) -> None:
    key = drawn.draw(st.sampled_from([*sorted(GOOD[kind]), "later"]))
    payload = json.dumps({**GOOD[kind], key: value}, ensure_ascii=ascii_only).encode()

    taken = firmware.payloads.decode(kind, payload) is not None

    assert (example.read(kind, payload) is not None) == taken


@given(kind=st.sampled_from(READ), payload=st.binary(max_size=300))
def test_no_bytes_lead_it_astray(example: Driven, kind: str, payload: bytes) -> None:
    """It lives on behind guards that end it at the first look out of bounds."""
    assert example.read(kind, payload) is None


@pytest.mark.parametrize(
    "payload",
    [b"[" * 2048, b'{"a":' * 400, b"\xff\xfe{}", b"{}" + b" " * 2047, b'{"stopped":true', b'{"\\'],
)
def test_deep_long_and_torn_bytes_are_refused(example: Driven, payload: bytes) -> None:
    assert [example.read(kind, payload) for kind in READ] == [None] * len(READ)


def test_only_what_it_says_at_its_head_is_left_out() -> None:
    rows = [row for _config, row in _sequences()]
    cued = [row for row in rows if any(_is_cue(step["event"]) for step in row["steps"])]

    assert len(cued) > 20
    assert [row["name"] for row in cued if left_out(row)] == CUED_BUT_LEFT_OUT


def _of_the_example(actions: list[list[Any]]) -> list[list[Any]]:
    """It is another firmware, and its outputs know no lines."""
    changed = json.loads(json.dumps(actions))
    for action in changed:
        if action[:2] == ["publish", "presence"] and "fw" in action[2]:
            action[2]["fw"] = FIRMWARE
    return [each[:4] if each[0] == "output" else each for each in changed]


class Player:
    """One sequence on one fresh board."""

    def __init__(self, example: Driven, config: dict[str, Any], *, acks: bool) -> None:
        self._example, self._id, self._acks = example, config["id"], acks
        words: list[object] = ["floor", config.get("battery", {}).get("floor_mv", 0)]
        for name, sensor in config["sensors"].items():
            words += ["sensor", name, int(sensor.get("action") == "stop")]
        for name, prop in config["props"].items():
            words += ["prop", name]
            for behaviour, its in prop["behaviours"].items():
                words += ["behaviour", behaviour, its["duration_ms"]]
        example.ask("set-up", *words)

    def actions(self, ms: int, event: list[Any]) -> list[list[Any]]:
        waiting, got = [self._words(event)], list[list[Any]]()
        while waiting:
            for line in self._example.ask("event", ms, *waiting.pop(0)):
                action, token = _plain(line)
                got.append(action)
                if token and self._acks:
                    waiting.append(["acked", token])
        return got

    def _words(self, event: list[Any]) -> list[object]:
        if event[0] == "sensor":
            return ["sensor", event[1], int(event[2])]
        if event[0] != "message":
            return event
        _, leaf, payload, retain = event
        owner = "all" if leaf in {"beat", "stop"} else self._id
        raw = payload if isinstance(payload, str) else json.dumps(payload)
        if "/" in leaf:
            owner, _, leaf = leaf.rpartition("/")[0].rpartition("/")[2], "", leaf.rpartition("/")[2]
        return ["message", owner, leaf, int(retain), raw.encode().hex() or "-"]


def _plain(line: str) -> tuple[list[Any], int]:
    words = line.split()
    if words[0] == "output":
        return [*words[:3], words[3] == "1"], 0
    if words[0] == "publish":
        payload = json.loads(bytes.fromhex(words[2]))
        return ["publish", words[1], payload, int(words[3]), words[4] == "1"], int(words[5])
    if words[0] == "connect":
        return ["connect", words[1], json.loads(bytes.fromhex(words[2]))], 0
    return words, 0
