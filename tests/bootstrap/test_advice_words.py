"""Goal: advice goes to another process and back unharmed.

Method: an evening weighed, written as JSON and read again.
"""

import json

from haunt.bootstrap.tuning import as_json
from haunt.bootstrap.weigher import from_json
from haunt.study.advice import advise
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
