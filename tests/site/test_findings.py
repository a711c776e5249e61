"""Goal: the page of findings says what the sums say, by word and shape, and works without scripts.

Method: the page's router alone, over the example shows; then its template in Chromium.
"""

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.site.findingspage import an_app

FOLDER = Path(__file__).parent.parent.parent / "haunt" / "examples"


def shown(text: str) -> str:
    app, _keeper = an_app(text)
    with TestClient(app, "http://127.0.0.1") as client:
        answer = client.get("/findings")
        assert answer.status_code == 200
        return answer.text


def example(name: str) -> str:
    return (FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def test_findings_are_grouped_worst_first_with_a_word_and_a_shape_each() -> None:
    page = shown(example("planted-faults"))
    groups = re.findall(
        r'<section aria-label="(Must|Should|Note)">(.*?)</section>', page, re.DOTALL
    )
    assert [name for name, _ in groups] == ["Must", "Should", "Note"]
    shapes = set()
    for name, group in groups:
        items = re.findall(r"<li class=.*?</li>", group, re.DOTALL)
        assert items
        assert all(f"<strong>{name}:" in each for each in items)
        shapes |= {re.search(r"<svg.*?</svg>", each, re.DOTALL).group() for each in items}  # type: ignore[union-attr]
    assert len(shapes) == 3


def test_a_finding_leads_to_its_prop_or_board_and_names_its_line() -> None:
    page = shown(example("planted-faults"))
    assert 'href="/props/crypt-strobe"' in page
    assert 'href="/boards#board-crypt"' in page
    line = example("planted-faults").split("\n").index("flash_hz = 9") + 1
    assert f"Line {line}, prop[crypt-strobe].behaviour[lightning].flash_hz" in page


def test_a_sound_show_says_so_and_what_was_not_checked() -> None:
    page = shown(example("garden"))
    assert "Nothing stands against it." in page
    assert "P over 0.99" in page
    assert "left out of the show file" in page
    assert "Local codes and licensed people decide" in page


def test_a_file_that_cannot_be_read_is_told_in_its_faults() -> None:
    page = shown('[show]\nid = "garden"\n')
    assert "show.time_zone" in page
    assert "Packs till close" not in page


def test_words_of_the_file_are_escaped() -> None:
    hostile = example("first-night").replace('id = "gate"', 'id = "gate"\nmodel = "<b>"', 1)
    page = shown(hostile.replace('model = "esp32"\nplace = "left', 'place = "left', 1))
    assert "<b>" not in page.replace("<b>", "", page.count('class="facts"><b>'))


def test_the_sums_are_done_once_a_version() -> None:
    app, keeper = an_app(example("garden"))
    with TestClient(app, "http://127.0.0.1") as client:
        first = client.get("/findings").text
        assert client.get("/findings").text == first
        keeper.text = example("planted-faults")
        assert "crypt-strobe" in client.get("/findings").text
    assert keeper.asked == 3


@pytest.mark.parametrize("name", ["first-night", "garden", "planted-faults"])
def test_the_page_asks_for_no_script_of_its_own(name: str) -> None:
    page = shown(example(name))
    main = page[page.index("<main") : page.index("</main>")]
    assert "<script" not in main
    assert "hx-" not in main
