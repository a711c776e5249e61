"""Goal: topics are built and read by one rule, and nothing else is taken for a board's.

Method: the table of the contract, the golden topics, and random strings.
"""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.forms import ID_PATTERN
from haunt.wire.topics import (
    ALL_KINDS,
    DOWN_KINDS,
    KINDS,
    QOS,
    RETAINED,
    UP_KINDS,
    BoardTopic,
    Topics,
    parse,
)
from tests.wire.vectors import VECTORS, Vector

TOPICS = Topics("first-night")
ids = st.from_regex(re.compile(ID_PATTERN.replace("$", r"\Z")))


def test_a_board_has_six_topics_and_all_boards_two() -> None:
    built = [
        TOPICS.presence("gate"),
        TOPICS.motion("gate"),
        TOPICS.health("gate"),
        TOPICS.report("gate"),
        TOPICS.cue("gate"),
        TOPICS.settings("gate"),
        TOPICS.beat,
        TOPICS.stop,
    ]
    boards = [f"haunt/first-night/gate/{kind}" for kind in (*UP_KINDS, *DOWN_KINDS)]
    assert built == [*boards, "haunt/first-night/all/beat", "haunt/first-night/all/stop"]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.name)
def test_golden_topics_are_read_as_the_kind_they_carry(vector: Vector) -> None:
    board = "all" if vector.model in ALL_KINDS else "gate"
    assert TOPICS.parse(vector.topic) == parse(vector.topic) == (board, vector.model)


@given(ids.filter(lambda board: board not in ("all", "controller")), st.sampled_from(UP_KINDS))
def test_what_is_built_is_read_back(board: str, kind: str) -> None:
    topic = f"{TOPICS.root}/{board}/{kind}"
    assert TOPICS.parse(topic) == (board, kind)
    assert parse(topic) == (board, kind)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "haunt",
        "haunt/first-night",
        "haunt/first-night/gate",
        "haunt/first-night/gate/",
        "haunt/first-night/gate/dance",
        "haunt/first-night/gate/motion/x",
        "haunt/first-night//motion",
        "haunt/first-night/Gate/motion",
        "haunt/first-night/gate\n/motion",
        "haunt/first-night/+/motion",
        "haunt/first-night/all/motion",
        "haunt/first-night/controller/presence",
        "haunt/first-night/gate/beat",
        "haunt/first-night/gate/stop",
        "/haunt/first-night/gate/motion",
        "other/first-night/gate/motion",
        f"haunt/first-night/{'g' * 33}/motion",
    ],
)
def test_a_topic_of_nobody_is_none(topic: str) -> None:
    assert TOPICS.parse(topic) is None
    assert parse(topic) is None


def test_a_topic_of_another_show_is_none_to_this_show_only() -> None:
    assert TOPICS.parse("haunt/first-night-2/gate/motion") is None
    assert parse("haunt/first-night-2/gate/motion") == BoardTopic("gate", "motion")
    assert parse("haunt/First Night/gate/motion") is None


@given(st.text())
def test_any_string_is_read_without_an_error(text: str) -> None:
    for topic in (text, f"haunt/first-night/{text}", f"haunt/first-night/{text}/motion"):
        found = TOPICS.parse(topic)
        assert found is None or f"{TOPICS.root}/{found.board}/{found.kind}" == topic


@pytest.mark.parametrize("board", ["all", "controller", "", "Gate", "a/b", "+", "#", "x" * 33])
def test_no_topic_is_built_for_what_is_no_board(board: str) -> None:
    with pytest.raises(ValueError, match="board id"):
        TOPICS.cue(board)


@pytest.mark.parametrize("show", ["", "My Show", "a/b", "+"])
def test_no_topics_are_built_for_what_is_no_show(show: str) -> None:
    with pytest.raises(ValueError, match="show id"):
        Topics(show)


def test_a_board_reads_its_own_orders_and_what_is_for_all() -> None:
    assert TOPICS.board_subscriptions("gate") == (
        ("haunt/first-night/gate/cue", 1),
        ("haunt/first-night/gate/settings", 1),
        ("haunt/first-night/all/beat", 0),
        ("haunt/first-night/all/stop", 1),
    )
    assert TOPICS.board_may_read("gate") == (
        "haunt/first-night/gate/cue",
        "haunt/first-night/gate/settings",
        "haunt/first-night/all/#",
    )


def test_a_board_writes_under_its_own_name_only() -> None:
    assert TOPICS.board_may_write("gate") == tuple(
        f"haunt/first-night/gate/{kind}" for kind in ("presence", "motion", "health", "report")
    )


def test_the_controller_hears_every_board_and_its_own_retained_stop() -> None:
    assert TOPICS.controller_subscriptions() == (
        ("haunt/first-night/+/presence", 1),
        ("haunt/first-night/+/motion", 1),
        ("haunt/first-night/+/health", 0),
        ("haunt/first-night/+/report", 1),
        ("haunt/first-night/all/stop", 0),
    )


def test_a_cue_is_never_retained() -> None:
    assert frozenset({"presence", "settings", "stop"}) == RETAINED
    assert set(QOS) == set(KINDS)
    assert {kind for kind in KINDS if QOS[kind] == 0} == {"health", "beat"}
