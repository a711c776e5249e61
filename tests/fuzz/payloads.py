"""Mutated payloads for the decoder, by number: each is a value or is refused, and nothing else."""

import json
from pathlib import Path
from typing import get_args

from haunt.core.dice import draw
from haunt.wire.errors import BoardSpokeNonsense, WeSpokeTooLong
from haunt.wire.payloads import decode, encode
from haunt.wire.topics import Kind
from tests.fuzz.mutation import Mutation
from tests.soak.outcome import Outcome

VECTORS = Path(__file__).resolve().parents[1] / "vectors" / "payloads.json"
KINDS: tuple[Kind, ...] = get_args(Kind)
BOMBS = (
    b"[" * 2000,
    b'{"a":' * 340,
    b'{"boot":' + b"9" * 2000 + b"}",
    b'{"seq":1e400}',
    b'{"seq":NaN}',
    b'{"seq":-0}',
    b'{"sensor":"\\ud800","boot":"7f3a91c2d405","seq":1,"age_ms":0}',
    b'{"sensor":"a","sensor":"b","boot":"7f3a91c2d405","seq":1,"age_ms":0}',
    b"\xef\xbb\xbf{}",
    b"\xff\xfe{\x00}\x00",
    b'"' + b"\\u0000" * 300 + b'"',
    b"",
    b"null",
    b"true",
    b" " * 2048,
)


def grains(kind: Kind | None = None) -> list[bytes]:
    """The golden payloads, of one kind or of all, and what is known to upset readers of JSON."""
    vectors = json.loads(VECTORS.read_text())
    found = [
        str(each["payload"]).encode("utf-8", "surrogatepass")
        for each in vectors
        if kind in (None, each["kind"]) and isinstance(each["payload"], str)
    ]
    assert found
    return [*found, *BOMBS]


def try_one(kind: Kind, raw: bytes) -> str:
    """Return what became of it; anything but a value or a refusal is raised."""
    try:
        value = decode(kind, raw)
    except BoardSpokeNonsense as nonsense:
        said = str(nonsense)
        assert said.isprintable(), said
        assert len(said) < 1000, said
        return "refused"
    try:
        again = decode(kind, encode(value))
    except WeSpokeTooLong:  # escapes grow where a board sent bare letters
        return "a value"
    assert again == value
    return "a value"


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Of three mutations two go to the decoder that they were meant for, one to any."""
    del folder
    outcome = Outcome()
    of_kind = {kind: Mutation(seed, grains(kind)) for kind in KINDS}
    for number in range(count):
        meant = KINDS[number % len(KINDS)]
        raw = of_kind[meant].made(number)
        kind = meant if number % 3 else KINDS[draw(seed, f"kind {number}", len(KINDS))]
        outcome.injected[kind] += 1
        try:
            outcome.noted[try_one(kind, raw)] += 1
        except Exception as fault:  # noqa: BLE001 - whatever it is, it is what we look for
            outcome.failures.append(f"{kind} {raw[:200]!r}: {type(fault).__name__}: {fault}"[:400])
    return outcome
