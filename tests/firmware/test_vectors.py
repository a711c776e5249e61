"""Goal: the board reads and writes the wire's golden payloads, on both interpreters.

Method: a script that is itself fit for MicroPython runs every vector that concerns a board; a
spoilt copy of the file shows that the script can fail. Random bytes must never raise.
"""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.modules import VECTORS, Run
from tests.outside.registry import outside

PAYLOADS = VECTORS / "payloads.json"
READ = ("cue", "settings", "beat", "stop")
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)


def test_the_board_agrees_with_every_golden_payload(run_script: Run) -> None:
    done = run_script("payload_vectors.py", PAYLOADS)

    assert done.stdout == f"run {len(_concerning_boards())}\n", done.stderr
    assert done.returncode == 0
    outside("micropython/vectors").agrees(cases=len(_concerning_boards()))


def test_a_spoilt_vector_is_noticed(run_script: Run, tmp_path: Path) -> None:
    rows = [row for row in _concerning_boards() if row["valid"]]
    beat = next(row for row in rows if row["kind"] == "beat")
    motion = next(row for row in rows if row["kind"] == "motion")
    beat["value"]["now_ms"] += 1
    motion["value"]["seq"] += 1
    spoilt = tmp_path / "spoilt.json"
    spoilt.write_text(json.dumps([beat, motion]), encoding="utf-8")

    done = run_script("payload_vectors.py", spoilt)

    assert done.returncode == 1
    assert len(done.stdout.splitlines()) == 3


@given(kind=st.sampled_from(READ), payload=st.binary(max_size=300))
def test_no_bytes_raise(firmware: SimpleNamespace, kind: str, payload: bytes) -> None:
    decoded = firmware.payloads.decode(kind, payload)
    assert decoded is None or isinstance(decoded, dict)
    assert firmware.payloads.readable_cue(payload) is None or payload.startswith(b"{")


@given(kind=st.sampled_from(READ), name=st.data(), value=json_values)
def test_a_field_of_another_kind_is_refused_or_kept_unchanged(
    firmware: SimpleNamespace, kind: str, name: st.DataObject, value: Any
) -> None:
    good = next(row["value"] for row in _ROWS if row["kind"] == kind and row["valid"])
    key = name.draw(st.sampled_from(sorted(good)))
    payload = json.dumps({**good, key: value}).encode()

    decoded = firmware.payloads.decode(kind, payload)

    assert decoded is None or decoded == {**good, key: value}


@pytest.mark.parametrize(
    "payload", [b"[" * 2048, b'{"a":' * 400, b"\xff\xfe{}", b"{}" + b" " * 2047]
)
def test_deep_long_and_foreign_bytes_are_refused(firmware: SimpleNamespace, payload: bytes) -> None:
    assert [firmware.payloads.decode(kind, payload) for kind in READ] == [None] * 4


def _concerning_boards() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(PAYLOADS.read_text(encoding="utf-8"))
    mine = [row for row in rows if row.get("only") != "server"]
    return [row for row in mine if row["kind"] in READ or row["valid"]]


_ROWS = _concerning_boards()
