"""Goal: what differs between two shows is told key by key, and nothing else is.

Method: a show with every key, changed by hand in one place at a time.
"""

import tomllib
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.showdiff import Difference, What, differences
from tests.wire.shows import FULL

SHOW = tomllib.loads(FULL)


def changed(*path: str | int, to: Any) -> dict[str, Any]:
    """The show with one value set; None takes it out."""
    found = deepcopy(SHOW)
    node: Any = found
    for each in path[:-1]:
        node = node[each]
    if to is None:
        del node[path[-1]]
    else:
        node[path[-1]] = to
    return found


@pytest.mark.parametrize(
    ("path", "to", "wanted"),
    [
        (("prop", 0, "cooldown_s"), 5, ("changed", "prop", "gatekeeper", "cooldown_s", 20, 5)),
        (("prop", 0, "duty"), None, ("removed", "prop", "gatekeeper", "duty", 0.25, None)),
        (("board", 1, "place"), "x", ("added", "board", "well", "place", None, "x")),
        (("prop", 0, "motor", "volts"), 7, ("changed", "prop", "gatekeeper", "motor.volts", 6, 7)),
        (
            ("prop", 0, "behaviour", 0, "weight"),
            3,
            ("changed", "prop.behaviour", "gatekeeper.growl", "weight", 2, 3),
        ),
        (
            ("limits", "boundary", 0, "x_m"),
            1,
            ("changed", "limits.boundary", "fence", "x_m", 12, 1),
        ),
        (
            ("link", 0, "delay_s"),
            1,
            ("changed", "link", "gate-pir to gatekeeper", "delay_s", 0.4, 1),
        ),
        (("timetable", 1, "to"), "22:00", ("changed", "timetable", "2", "to", "21:30", "22:00")),
        (("traffic",), None, ("removed", "traffic", "", "", SHOW["traffic"], None)),
        (("hazard",), None, ("removed", "hazard", "1", "", SHOW["hazard"][0], None)),
        (("phase", 0, "name"), "mild", ("changed", "phase", "mild", "name", "gentle", "mild")),
        (
            ("sensor", 1, "id"),
            "bell",
            ("renamed", "sensor", "bell", "", "well-button", "bell"),
        ),
    ],
)
def test_one_change_is_one_difference(
    path: tuple[str | int, ...], to: Any, wanted: tuple[Any, ...]
) -> None:
    [found] = differences(SHOW, changed(*path, to=to))

    assert found == Difference(What(wanted[0]), *wanted[1:])


def test_the_same_show_in_another_order_differs_in_nothing() -> None:
    turned = {key: SHOW[key] for key in reversed(SHOW)}
    turned["board"] = list(reversed(SHOW["board"]))

    assert differences(SHOW, turned) == []
    assert differences(SHOW, SHOW) == []


def test_a_number_written_otherwise_is_a_difference() -> None:
    [found] = differences(SHOW, changed("prop", 0, "cooldown_s", to=20.0))

    assert (found.before, found.after) == (20, 20.0)


def test_rows_without_a_name_are_told_by_their_place_among_their_like() -> None:
    more = deepcopy(SHOW)
    more["quiet"].insert(0, {"from": "01:00", "to": "02:00"})

    [found] = differences(SHOW, more)

    assert (found.what, found.table, found.name) == (What.ADDED, "quiet", "1")


paths = st.sampled_from([("prop", 0, "cooldown_s"), ("board", 0, "x_m"), ("stagger", "gap_s")])


@given(paths, st.integers(0, 60), paths, st.integers(0, 60))
def test_there_and_back_are_each_others_mirror(
    one: tuple[str | int, ...], its: int, other: tuple[str | int, ...], others: int
) -> None:
    before, after = changed(*one, to=its), changed(*other, to=others)
    there, back = differences(before, after), differences(after, before)

    assert [(d.table, d.name, d.key, d.before, d.after) for d in there] == [
        (d.table, d.name, d.key, d.after, d.before) for d in back
    ]
