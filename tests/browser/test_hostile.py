"""Goal: what people and boards write stays text in a real browser, wherever a page shows it.

Method: a real server whose show and boards say hostile strings in every field; a walk through
pages in Chromium that counts elements made, scripts run, policies broken and others asked. All
pages and 500 strings: `python -m tests.browser.hostile`.
"""

from itertools import islice
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.hostile import A_SHOW, FOUND, strings, walk

pytestmark = pytest.mark.browser
SOME_PAGES, SOME_SHOWN = 8, 40


def test_hostile_names_places_lines_and_words_of_boards_stay_text(
    chromium: Browser, tmp_path: Path
) -> None:
    hostile = list(islice(strings(), A_SHOW))
    found = walk(chromium, tmp_path, hostile, every=SOME_PAGES)

    assert found.wrong == []
    assert len(found.shown) > SOME_SHOWN


def test_there_are_strings_enough_and_none_twice() -> None:
    found = list(strings())

    assert len(found) == len(set(found)) > 500


def test_a_page_that_lets_one_through_is_seen(chromium: Browser) -> None:
    """The trap itself: the same string on a page that escapes nothing."""
    page = chromium.new_page()
    page.set_content("<img data-h src=x onerror=owned=1>")
    page.wait_for_function("window.owned === 1")
    found = page.evaluate(FOUND)

    assert found["owned"]
    assert len(found["made"]) == 1
    page.close()
