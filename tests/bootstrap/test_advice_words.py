"""Goal: advice goes to another process and back unharmed, and reads well in a terminal.

Method: an evening weighed, written as JSON and read again.
"""

import json

from haunt.bootstrap.tuning import as_json, overall_as_json
from haunt.bootstrap.tuningwords import lines
from haunt.bootstrap.weigher import from_json, overall_from_json
from haunt.study.advice import advise
from haunt.study.overall import overall
from haunt.study.reading import MISREAD
from haunt.study.sweep import Setting, in_turn
from tests.study.test_sweep import a_night


def test_advice_survives_the_way_between_two_processes() -> None:
    for now_ms in (45_000, 20_000):
        advice = advise([a_night(now_ms, hours=1)], "gate", [25_000])
        again = from_json(json.loads(json.dumps(as_json(advice))))

        assert again.tried[0].answered == advice.tried[0].answered
        assert (again.prop, again.cooldown_ms, again.gain, again.why) == (
            advice.prop,
            advice.cooldown_ms,
            advice.gain,
            advice.why,
        )
        assert [t.cooldown_ms for t in again.tried] == [t.cooldown_ms for t in advice.tried]


def test_the_terminal_shows_noise_and_motor_and_what_is_easily_misread() -> None:
    advice = advise([a_night(45_000, hours=1)], "gate", [25_000])
    now = advice.tried[-1]
    found = lines([advice], table=True, rest_s=None)

    assert "noise    motor" in found[1]
    row = next(each for each in found if each.endswith("now"))
    assert f"{now.loud_ms / 60_000:.1f} min" in row
    assert f"{now.motor_ms / 60_000:.1f} min" in row
    assert found[-len(MISREAD) :] == [f"- {each}" for each in MISREAD]


def test_the_show_as_a_whole_survives_the_way_too() -> None:
    night = a_night(45_000, hours=1)
    whole = overall([night], [Setting(), Setting(scale_permille=500)], in_turn([night]))
    again = overall_from_json(json.loads(json.dumps(overall_as_json(whole))))

    assert again == whole
    assert any(each.motor_ms for each in again.rows)
