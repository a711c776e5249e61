"""Goal: the journal's text is small, and the text of an older program can still be read.

Method: texts written by hand. The round trip of every event is beside the journal's own tests.
"""

from haunt.core import events
from haunt.core.show import Show
from haunt.wire.eventcodec import decode_event, encode_event


def no_show(version: int) -> Show:
    raise AssertionError(f"nobody may ask for show {version}")


def test_stamps_are_not_written_twice() -> None:
    motion = events.Motion(1, 2, "b1", "pir", "7f3a91c2d405", 41)

    assert encode_event(motion) == (
        "Motion",
        '{"board":"b1","sensor":"pir","boot":"7f3a91c2d405","seq":41,"age_ms":0}',
    )


def test_a_field_that_an_older_program_did_not_know_takes_its_default() -> None:
    found = decode_event("BoardHere", 1, 2, '{"board":"b1","boot":"7f3a91c2d405"}', no_show)

    assert found == events.BoardHere(1, 2, "b1", "7f3a91c2d405", up_ms=0, reset="unknown")


def test_tuples_within_tuples_come_back_as_such() -> None:
    text = '{"board":"b1","boot":"7f3a91c2d405","active":[["pir",12400],["mat",0]]}'
    found = decode_event("BoardHealth", 1, 2, text, no_show)

    assert isinstance(found, events.BoardHealth)
    assert found.active == (("pir", 12400), ("mat", 0))


def test_a_changed_show_is_asked_for_by_its_version() -> None:
    show = Show(id="x", time_zone="UTC")
    asked: list[int] = []

    def show_of(version: int) -> Show:
        asked.append(version)
        return show

    found = decode_event("ShowChanged", 1, 2, '{"version":3,"by":"mara"}', show_of)

    assert found == events.ShowChanged(1, 2, show, 3, "mara")
    assert asked == [3]
