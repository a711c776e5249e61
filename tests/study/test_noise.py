"""Goal: noise at the property line is the energy there, told as time at the limit.

Method: plays whose levels and lengths are given, added up by hand; the show comes from a file.
"""

import pytest

from haunt.core.decisions import Source
from haunt.live.prepare import prepare
from haunt.study.noise import line_ms
from haunt.study.rerun import Play
from haunt.wire.showfile import read_show

SHOW = """
[show]
id = "yard"
time_zone = "UTC"

[[board]]
id = "b1"

[[prop]]
id = "gate"
board = "b1"
x_m = 0
y_m = 0

[[prop.behaviour]]
id = "growl"
duration_s = 4
level_dba = 80

[[prop.behaviour]]
id = "glow"
duration_s = 4
"""
FENCE = """
[[limits.boundary]]
name = "fence"
x_m = 10
y_m = 0
max_level_dba = 60

[[limits.boundary]]
name = "far wall"
x_m = 100
y_m = 0
max_level_dba = 60
"""


def plays(*of: tuple[str, int]) -> list[Play]:
    return [
        Play(100_000 * at, "gate", behaviour, lasted_ms, 0, Source.MOTION)
        for at, (behaviour, lasted_ms) in enumerate(of)
    ]


def test_a_play_at_the_limit_counts_its_whole_length() -> None:
    """80 dB at 1 m are 60 dB at 10 m (20 lg 10 = 20), which is the limit at the fence."""
    show = prepare(read_show(SHOW + FENCE, "show").show).show
    assert line_ms(show, plays(("growl", 4000), ("growl", 6000))) == pytest.approx(10_000, rel=1e-3)


def test_ten_decibels_less_count_a_tenth() -> None:
    quiet = SHOW.replace("level_dba = 80", "level_dba = 70")
    show = prepare(read_show(quiet + FENCE, "show").show).show
    assert line_ms(show, plays(("growl", 4000))) == pytest.approx(400, rel=1e-3)


def test_what_makes_no_sound_adds_nothing_and_without_a_line_nothing_is_known() -> None:
    fenced, open_yard = (
        prepare(read_show(text, "show").show).show for text in (SHOW + FENCE, SHOW)
    )
    assert line_ms(fenced, plays(("glow", 4000))) == 0
    assert line_ms(open_yard, plays(("growl", 4000))) is None
