"""Goal: where there is nothing yet a page says so, and what to do.

Method: the application on a show of nothing; each page is read as its text.
"""

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.site.night import a_night
from tests.site.stage import Stage, a_stage


@pytest.fixture(scope="module")
def empty() -> Iterator[Stage]:
    with a_stage(replace(a_night([]), boards={}, sensors={})) as found:
        yield found


def told(empty: Stage, path: str) -> str:
    answer = empty.client.get(path)
    assert answer.status_code == 200
    [main] = re.findall(r"<main.*?</main>", answer.text, re.DOTALL)
    return str(main)


def test_a_show_without_boards_says_how_one_comes_in(empty: Stage) -> None:
    said = told(empty, "/boards")

    assert "The show has no board yet." in said
    assert 'href="/first"' in said
    assert "config.json" in said
    assert "haunt boards play gate.json" in said


def test_a_show_without_props_is_not_offered_a_rehearsal(empty: Stage) -> None:
    said = told(empty, "/rehearse")

    assert "The show has no prop yet" in said
    assert 'href="/first"' in said
    assert "<form" not in said


def test_no_labels_are_offered_where_there_is_nothing_to_stick_them_on(empty: Stage) -> None:
    said = told(empty, "/labels")

    assert "no prop and no board yet" in said
    assert "<form" not in said


def test_a_walk_without_sensors_says_how_one_comes_in(empty: Stage) -> None:
    assert "The show has no sensor yet." in told(empty, "/walk")
