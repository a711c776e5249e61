"""Goal: what people keep is said a moment later, as one change of the show, and nothing else is.

Method: the real store in a folder, a keeper in memory that checks like the real one; the show is
let follow by hand, and once by the book's own thread.
"""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from haunt.bootstrap.errands import Errands
from haunt.bootstrap.linebook import LineShelf
from haunt.live.errors import CrewMistake
from haunt.live.prepare import prepare
from haunt.site.workports import WorkState
from haunt.store.linerows import LineStore
from haunt.study.pools.pool import State
from haunt.study.pools.reading import Entry
from haunt.wire.saying import line_id
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from tests.site.shelf import SHOW, Shelf
from tests.store.stage import opened

TALKING = SHOW.replace('time_zone = "UTC"', 'time_zone = "UTC"\nbarred_words = ["grave"]') + (
    'lines = [\n    "By hand.",      # the very first\n    "A grave one.",\n]\n'
)
FRESH = [Entry("One."), Entry("Two.", 4), Entry("Three.")]


class House:
    """A book of lines, its keeper and its store; the clock goes by one at every judgement."""

    def __init__(self, data: Path, store: LineStore) -> None:
        self.keeper, self.store, self.now = Shelf(TALKING), store, 0
        self.errands = Errands(program=("true",))
        self.book = self.opened(data)
        self.data = data

    def opened(self, data: Path, calm_s: float = 2.0) -> LineShelf:
        return LineShelf(self.store, self.keeper, data, self.errands, self._wall_ms, calm_s)

    def _wall_ms(self) -> int:
        self.now += 1
        return self.now

    def judge(self, text: str, state: State, by: str = "Mara") -> State:
        return self.book.judge("gate", "growl", line_id(text), state, by)

    def said(self) -> list[str]:
        """Return what the night may say, by the show as it is kept."""
        show = prepare(read_show(self.keeper.toml(), "show").show).show
        return [each.text for each in show.props[0].behaviours[0].lines]

    def states(self) -> dict[str, State]:
        return {each.line.text: each.line.state for each in self.book.pool("gate", "growl").lines}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with opened(tmp_path) as database:
        yield House(tmp_path, LineStore(database.writing, database.writing))


def test_lines_of_the_show_file_are_kept_ones(house: House) -> None:
    assert house.states() == {"By hand.": State.KEPT, "A grave one.": State.KEPT}


def test_new_lines_are_not_said_before_somebody_keeps_them(house: House) -> None:
    assert house.book.add("gate", "growl", FRESH, "Mara") == 3
    house.book.follow()

    assert house.said() == ["By hand.", "A grave one."]
    assert len(house.keeper.versions) == 1, "nothing changed, so there is no new version"


def test_a_sitting_is_one_version_by_its_name_and_comments_stay(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    assert house.judge("One.", State.KEPT) is State.NEW
    assert house.judge("Two.", State.KEPT, "Jory") is State.NEW
    assert house.judge("Three.", State.STRUCK) is State.NEW
    assert house.judge("A grave one.", State.STRUCK) is State.KEPT
    house.book.follow()

    assert house.said() == ["By hand.", "One.", "Two."]
    assert (len(house.keeper.versions), house.keeper.by) == (2, ["Jory, Mara"])
    assert '"By hand.",      # the very first' in house.keeper.toml()
    assert '"[4] Two."' in house.keeper.toml()
    assert house.store.pending() == []


def test_what_was_judged_can_be_taken_back_before_and_after_the_show_follows(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.judge("One.", State.KEPT)
    house.judge("One.", State.NEW)
    house.judge("By hand.", State.STRUCK)
    house.book.follow()
    assert house.said() == ["A grave one."]

    assert house.judge("By hand.", State.KEPT) is State.STRUCK
    house.book.follow()
    assert house.said() == ["A grave one.", "By hand."]


def test_the_same_judgement_twice_changes_nothing(house: House) -> None:
    assert house.judge("By hand.", State.KEPT) is State.KEPT
    assert house.store.pending() == []


def test_somebody_who_changes_the_show_meanwhile_loses_nothing(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.judge("One.", State.KEPT)

    def other() -> None:
        house.keeper.in_between = lambda: None
        text = house.keeper.toml().replace("cooldown_s = 20", "cooldown_s = 25")
        house.keeper.put(text, "Jory")

    house.keeper.in_between = other
    house.book.follow()

    assert house.keeper.cooldown_s() == 25
    assert "One." in house.said()


def test_gibberish_says_new_lines_too_until_it_is_no_longer_welcome(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.book.follow()
    house.book.welcome("Mara", gibberish=True)
    house.judge("Three.", State.STRUCK)
    house.book.follow()
    assert house.said() == ["By hand.", "A grave one.", "One.", "Two."]
    assert house.states()["One."] is State.NEW

    house.judge("One.", State.KEPT)
    house.book.follow()
    house.book.welcome("Mara", gibberish=False)
    assert house.said() == ["By hand.", "A grave one.", "One."]


def test_a_line_tells_its_length_and_its_barred_word(house: House) -> None:
    found = {each.line.text: each for each in house.book.pool("gate", "growl").lines}

    assert [found["A grave one."].is_barred, found["By hand."].is_barred] == [True, False]
    assert found["A grave one."].seconds == pytest.approx(1.2)  # three words at 150 a minute
    assert not found["By hand."].has_sound


def test_an_entry_for_what_is_not_in_the_show_is_refused_whole(house: House) -> None:
    with pytest.raises(CrewMistake, match=r"no behaviour gate\.howl.*There are gate\.growl"):
        house.book.add("gate", "growl", [Entry("fine"), Entry("lost", behaviour="howl")], "Mara")

    assert house.store.every() == []


def test_a_judgement_of_a_behaviour_that_went_is_passed_over(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.judge("One.", State.KEPT)
    house.keeper.put(house.keeper.toml().replace('id = "growl"', 'id = "howl"'), "Jory")
    house.book.follow()

    assert house.store.pending() == []
    assert house.said() == ["By hand.", "A grave one."]


def test_the_show_follows_by_itself_once_nobody_judges_any_more(house: House) -> None:
    followed = threading.Event()
    put = house.keeper.put

    def heard(text: str, by: str, on: int | None = None) -> int:
        version = put(text, by, on)
        followed.set()
        return version

    house.keeper.put = heard  # type: ignore[method-assign] # the fake's own word, overheard
    book = house.book = house.opened(house.data, calm_s=0.01)
    book.start()
    try:
        book.add("gate", "growl", FRESH, "Mara")
        house.judge("One.", State.KEPT)
        assert followed.wait(20)
    finally:
        book.stop()

    assert "One." in house.said()


def test_what_a_crash_left_open_is_followed_after_the_next_start(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.judge("One.", State.KEPT)

    again = house.opened(house.data)
    again.follow()

    assert "One." in house.said()


def test_a_show_that_cannot_follow_is_said_and_tried_again(house: House) -> None:
    house.book.add("gate", "growl", FRESH, "Mara")
    house.judge("One.", State.KEPT)
    put = house.keeper.put

    def refusing(text: str, by: str, on: int | None = None) -> int:  # noqa: ARG001 - the port's words
        raise ShowFileRefused(())

    house.keeper.put = refusing  # type: ignore[method-assign] # as above
    with pytest.raises(ShowFileRefused):
        house.book.follow()
    assert house.store.pending()

    house.keeper.put = put  # type: ignore[method-assign]
    house.book.follow()
    assert "One." in house.said()


def test_too_few_sentences_are_refused_in_words_of_the_page(house: House) -> None:
    refused = house.book.prepare("gate", "growl", 20)

    assert refused.state is WorkState.FAILED
    assert refused.said.startswith("Nothing to make lines of: there are 2 own sentences; 8 are")
    assert "Bring lines in" in refused.said
    assert "--" not in refused.said


def test_with_enough_sentences_the_work_begins(house: House) -> None:
    house.book.add("gate", "growl", [Entry(f"Sentence of mine {n}.") for n in range(6)], "Mara")

    assert house.book.prepare("gate", "growl", 20).state is WorkState.RUNNING
