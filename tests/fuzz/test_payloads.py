"""Goal: no bytes of a board's payload do more than become a value or be refused, in few words.

Method: Hypothesis draws bytes and JSON of any shape; golden payloads are mutated by a seed. More by
`python -m tests.soak payloads --count N`, guided by coverage by `python -m tests.fuzz.guided N`.
"""

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from haunt.wire.payloads import ADAPTERS
from haunt.wire.topics import Kind
from tests.fuzz.payloads import BOMBS, KINDS, run, try_one

KEYS = sorted(
    {key for adapter in ADAPTERS.values() for key in json.dumps(adapter.json_schema()).split('"')}
)
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(), st.text(max_size=40)
)
JSON = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.sampled_from(KEYS), inner, max_size=6)
    ),
    max_leaves=6,
)
FEW = settings(max_examples=2000 if os.environ.get("HAUNT_LONG") else 40)


@pytest.mark.parametrize("kind", KINDS)
@FEW
@given(raw=st.binary(max_size=300))
def test_any_bytes_are_a_value_or_are_refused(kind: Kind, raw: bytes) -> None:
    assert try_one(kind, raw) in ("a value", "refused")


@pytest.mark.parametrize("kind", KINDS)
@FEW
@given(value=st.dictionaries(st.sampled_from(KEYS), JSON, max_size=8))
def test_any_json_with_our_keys_is_a_value_or_is_refused(
    kind: Kind, value: dict[str, object]
) -> None:
    assert try_one(kind, json.dumps(value).encode()) in ("a value", "refused")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("bomb", range(len(BOMBS)))
def test_what_upsets_readers_of_json_is_refused(kind: Kind, bomb: int) -> None:
    said = try_one(kind, BOMBS[bomb])

    # Two equal keys are legal JSON; the last counts, as in every reader we know.
    assert said == ("a value" if kind == "motion" and b'"b"' in BOMBS[bomb] else "refused")


def test_mutated_golden_payloads_are_values_or_are_refused(tmp_path: Path) -> None:
    outcome = run(4000, 1, tmp_path)

    assert outcome.failures == []
    assert outcome.noted["a value"] > 80
    assert outcome.noted["refused"] > 1000
