"""Goal: a payload becomes a value or is refused by name, never anything else.

Method: golden bytes; every kind over and over with arbitrary bytes and arbitrary JSON; the speed of
both directions.
"""

import json
import timeit

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from haunt.wire.errors import BoardSpokeNonsense, WeSpokeTooLong, WireError
from haunt.wire.payloads import (
    Beat,
    Cue,
    Gone,
    Health,
    Here,
    Motion,
    Payload,
    PropAlone,
    Report,
    Settings,
    Stop,
    decode,
    encode,
)
from haunt.wire.topics import KINDS, Kind
from tests.wire.vectors import VECTORS, Vector

BOOT = "7f3a91c2d405"
MOTION = Motion(sensor="gate-pir", boot=BOOT, seq=41, age_ms=0, clock="a1", at_ms=81234567)
CUE = Cue(
    cue=f"gate-{BOOT}-41-gatekeeper",
    epoch=3,
    prop="gatekeeper",
    behaviour="growl",
    max_ms=9000,
    ttl_ms=1500,
    sent_ms=81234567,
    line="who-goes-there",
)

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)
KEYS = sorted({key for vector in VECTORS for key in vector.value or {}})
near_misses = st.dictionaries(st.sampled_from(KEYS), json_values, max_size=10)


def _read_or_refused(kind: Kind, payload: bytes) -> Payload | BoardSpokeNonsense:
    try:
        return decode(kind, payload)
    except BoardSpokeNonsense as refused:
        return refused


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.name)
def test_golden_bytes_are_read_or_refused_as_written_down(vector: Vector) -> None:
    read = _read_or_refused(vector.model, vector.payload)
    if isinstance(read, BoardSpokeNonsense):
        assert not vector.valid, read.why
        assert read.kind == vector.model
        assert "; allowed: " in read.why
    else:
        assert vector.valid, vector.why
        assert json.loads(encode(read)) == vector.value


def test_golden_bytes_cover_every_kind_both_ways() -> None:
    seen = {(vector.kind, vector.valid) for vector in VECTORS}
    assert seen == {(kind, good) for kind in (*KINDS, "will") for good in (True, False)}
    assert len({vector.name for vector in VECTORS}) == len(VECTORS) >= 60


def test_golden_bytes_cover_every_optional_key() -> None:
    models = (Here, Gone, Motion, Health, Report, Cue, Settings, PropAlone, Beat, Stop)
    optional = {
        name
        for model in models
        for name, field in model.model_fields.items()
        if not field.is_required()
    }
    assert optional <= set(KEYS)


@given(st.sampled_from(KINDS), st.binary(max_size=2100))
def test_arbitrary_bytes_are_refused_and_nothing_else_happens(kind: Kind, noise: bytes) -> None:
    with pytest.raises(BoardSpokeNonsense):
        decode(kind, noise)


@given(st.sampled_from(KINDS), json_values | near_misses)
def test_arbitrary_json_is_read_or_refused(kind: Kind, value: object) -> None:
    read = _read_or_refused(kind, json.dumps(value).encode())
    if isinstance(read, BoardSpokeNonsense):
        assert read.why.isprintable()
        assert len(read.why) < 700
    else:
        assert decode(kind, encode(read)) == read


@given(st.sampled_from(VECTORS), st.integers(0, 2047), st.integers(0, 255))
def test_one_changed_byte_never_does_more_than_a_refusal(
    vector: Vector, place: int, byte: int
) -> None:
    spoiled = bytearray(vector.payload)
    if spoiled:
        spoiled[place % len(spoiled)] = byte
    read = _read_or_refused(vector.model, bytes(spoiled))
    if isinstance(read, BoardSpokeNonsense):
        assert read.kind == vector.model
    else:
        assert decode(vector.model, encode(read)) == read


@pytest.mark.parametrize("payload", [b"\xff\xfe{}", b'{"sensor":"\xc3"}', b"\x00", b"\x80" * 2048])
def test_bytes_that_are_no_utf8_are_refused(payload: bytes) -> None:
    with pytest.raises(BoardSpokeNonsense, match="not JSON"):
        decode("motion", payload)


def test_a_refusal_names_the_key_what_it_is_and_what_is_allowed() -> None:
    with pytest.raises(BoardSpokeNonsense) as caught:
        decode("motion", b'{"sensor":"Gate","boot":"7f3a91c2d405","seq":true,"age_ms":0}')
    assert caught.value.why == (
        "sensor is 'Gate'; allowed: 1 to 32 of the characters a-z, 0-9 and - | "
        "seq is true; allowed: a whole number, without quotes or point"
    )


def test_a_refusal_counts_the_faults_that_it_does_not_show() -> None:
    with pytest.raises(BoardSpokeNonsense, match=r"\| and 1 more$"):
        decode("motion", b"{}")


def test_a_refusal_keeps_line_breaks_and_long_keys_of_a_board_out_of_the_log() -> None:
    evil = json.dumps({"boot": BOOT, "up_ms": 1, "starts": {"a\nALARM" + "x" * 999: 1}})
    with pytest.raises(BoardSpokeNonsense) as caught:
        decode("health", evil.encode())
    assert caught.value.why.isprintable()
    assert len(caught.value.why) < 200


def test_an_unknown_reset_word_reads_as_unknown() -> None:
    here = decode(
        "presence", b'{"state":"here","boot":"7f3a91c2d405","conn":1,"up_ms":0,"reset":"?"}'
    )
    assert isinstance(here, Here)
    assert here.reset == "unknown"


def test_what_was_not_set_is_left_out() -> None:
    assert encode(Health(boot=BOOT, up_ms=5)) == b'{"boot":"7f3a91c2d405","up_ms":5}'
    assert encode(Health(boot=BOOT, up_ms=5, epoch=None, starts={})) == (
        b'{"boot":"7f3a91c2d405","up_ms":5,"starts":{}}'
    )


def test_keys_stand_in_the_order_of_the_contract_whatever_the_order_of_the_arguments() -> None:
    stop = Stop(at_ms=7, epoch=4, stopped=True)
    assert encode(stop) == b'{"stopped":true,"epoch":4,"at_ms":7}'
    gone = Gone(conn=2, boot=BOOT, state="gone")
    assert encode(gone) == b'{"state":"gone","boot":"7f3a91c2d405","conn":2}'


def test_a_cue_is_compact_and_as_written_down() -> None:
    assert encode(CUE) == (
        b'{"cue":"gate-7f3a91c2d405-41-gatekeeper","epoch":3,"prop":"gatekeeper",'
        b'"behaviour":"growl","max_ms":9000,"ttl_ms":1500,"sent_ms":81234567,'
        b'"line":"who-goes-there"}'
    )


def test_the_longest_ids_still_make_a_cue_that_may_be_sent() -> None:
    longest = "b" * 32
    cue = CUE.model_copy(update={"cue": f"{longest}-{BOOT}-{2**53 - 1}-{longest}"})
    assert decode("cue", encode(cue)) == cue


def test_a_payload_too_long_for_a_board_is_our_own_fault() -> None:
    props = {f"prop-{n}": PropAlone(behaviour="growl", cooldown_ms=1000) for n in range(60)}
    with pytest.raises(WeSpokeTooLong, match=r"settings: .* at most 2048"):
        encode(Settings(version=1, mode="alone", props=props))


def test_an_error_without_an_owner_cannot_be_raised() -> None:
    with pytest.raises(TypeError):
        WireError("something is wrong")


def test_a_value_once_read_cannot_be_changed() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        MOTION.seq = 42


@pytest.mark.benchmark
def test_reading_a_motion_and_writing_a_cue_take_microseconds() -> None:
    motion = encode(MOTION)
    read_us = min(timeit.repeat(lambda: decode("motion", motion), number=5000, repeat=7)) / 5e-3
    write_us = min(timeit.repeat(lambda: encode(CUE), number=5000, repeat=7)) / 5e-3
    plain_us = min(timeit.repeat(lambda: json.loads(motion), number=5000, repeat=7)) / 5e-3
    print(f"motion {read_us:.2f} us, cue {write_us:.2f} us, json.loads alone {plain_us:.2f} us")
    # Against the plain parser in the same run: a slow machine slows both.
    assert read_us < 4 * plain_us
    assert write_us < 4 * plain_us
