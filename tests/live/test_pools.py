"""Goal: what the show file says of lines is what the night may say, marks taken off.

Method: small show files, prepared; what a person reads of a firing.
"""

from haunt.core.show import Line
from haunt.live.prepare import prepare
from haunt.live.sentences import sentence
from haunt.wire.saying import line_id
from haunt.wire.showfile import read_show

SHOW = """
[show]
id = "yard"
time_zone = "UTC"
barred_words = ["Blood", "left hand"]
{more}

[[board]]
id = "b1"

[[prop]]
id = "gate"
board = "b1"

[[prop.behaviour]]
id = "growl"
duration_s = 4
lines = ["Boo!", "[4] Now.", "[?] Odd.", "I smell blood.", "My left foot.", "Bloody cold."]
"""


def said(more: str = "") -> tuple[Line, ...]:
    show = prepare(read_show(SHOW.format(more=more), "yard").show).show
    return show.props[0].behaviours[0].lines


def test_words_and_intensity_are_told_apart_and_named() -> None:
    lines = {each.text: each for each in said()}

    assert lines["Now."] == Line(line_id("Now."), "Now.", 4)
    assert lines["Boo!"].intensity == 1


def test_what_nobody_kept_is_left_out_unless_gibberish_is_welcome() -> None:
    assert "Odd." not in {each.text for each in said()}
    assert "Odd." in {each.text for each in said("gibberish = true")}


def test_barred_words_are_whole_words_of_any_entry() -> None:
    barred = {each.text for each in said() if each.barred}

    assert barred == {"I smell blood.", "My left foot."}


def test_a_firing_is_told_with_its_line() -> None:
    fired = {"outcome": "fired", "behaviour": "growl", "source": "motion", "waited_ms": 0}

    assert sentence(fired | {"line": "Boo!"}) == "Fired growl, saying “Boo!”"
    assert sentence(fired | {"line": "Who goes"}) == "Fired growl, saying “Who goes”."
    assert sentence(fired | {"line": "Go home."}) == "Fired growl, saying “Go home.”"
    assert sentence(fired | {"line": None}) == sentence(fired) == "Fired growl."
