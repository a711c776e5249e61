"""Goal: every event comes back from the journal as it went in.

Method: properties over made-up events of every kind, their fields drawn from their own types.
"""

import inspect

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.core import events
from haunt.core.show import Show
from haunt.wire.eventcodec import KINDS, decode_event, encode_event
from tests.core.stage import prop, sensor, show

SHOW = show(prop(), sensor())


def shows_of(version: int) -> Show:
    return show(prop(), sensor(), seed=version)


def event_of(kind: type[events.Event]) -> st.SearchStrategy[events.Event]:
    if kind is events.ShowChanged:
        return st.builds(
            lambda mono_ms, wall_ms, version, by: events.ShowChanged(
                mono_ms, wall_ms, shows_of(version), version, by
            ),
            st.integers(),
            st.integers(),
            st.integers(),
            st.text(),
        )
    return st.from_type(kind)


def test_the_codec_knows_every_event_there_is() -> None:
    found = {
        name: kind
        for name, kind in inspect.getmembers(events, inspect.isclass)
        if issubclass(kind, events.Event) and kind is not events.Event
    }

    assert found == KINDS


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
@given(data=st.data())
def test_an_event_comes_back_as_it_went_in(kind: type[events.Event], data: st.DataObject) -> None:
    event = data.draw(event_of(kind))

    name, body = encode_event(event)

    back = decode_event(name, event.mono_ms, event.wall_ms, body, shows_of)
    assert back == event
    assert type(back) is type(event)
    assert hash(back) == hash(event)


def test_a_changed_show_is_kept_by_its_number_only() -> None:
    _name, body = encode_event(events.ShowChanged(1, 2, SHOW, 3, "mara"))

    assert body == '{"version":3,"by":"mara"}'


def test_an_unknown_kind_is_a_key_error() -> None:
    with pytest.raises(KeyError, match="Sneezed"):
        decode_event("Sneezed", 1, 2, "{}", shows_of)
