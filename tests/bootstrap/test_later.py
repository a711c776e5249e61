"""Goal: a change that is put off is made when the next phase begins, once, and by whoever asked.

Method: the real keeper on a show with phases, a clock that is turned by hand, texts in a dictionary
in place of the store.
"""

import pytest

from haunt.bootstrap.later import KEY, Later
from haunt.core.calendar import no_sunset
from haunt.live.errors import CrewMistake
from haunt.site.workports import SHOW_KEY, Pending, Value, When, prop_key
from haunt.wire.showfile import read_show
from tests.site.shelf import SHOW, Shelf

DAY_MS = 1_793_491_200_000  # 2026-11-01T00:00:00Z
MINUTE_MS = 60_000
GATE = prop_key("gate")


def clock(hour: int, minute: int = 0) -> int:
    return DAY_MS + (60 * hour + minute) * MINUTE_MS


class Evening:
    """A later book at an hour of the evening, and what it keeps."""

    def __init__(self, hour: int = 18, text: str = SHOW) -> None:
        self.now = clock(hour)
        self.kept: dict[str, str] = {}
        self.keeper = Shelf(text)
        self.later = self.opened()

    def opened(self) -> Later:
        return Later(
            self.keeper,
            lambda: self.now,
            lambda _file: no_sunset,
            self.kept.__setitem__,
            self.kept.get,
        )

    def rest(self, prop: str, rest_s: float, by: str = "Mara", when: When = When.PHASE) -> Pending:
        value = Value("prop", prop, "cooldown_s", rest_s)
        return self.later.add(prop_key(prop), [value], by, when)


def test_it_is_made_when_the_phase_begins_and_not_before() -> None:
    evening = Evening()
    asked = evening.rest("gate", 25)

    assert (asked.due_ms, asked.phase) == (clock(18, 30), "full")
    evening.now = clock(18, 30) - 1
    assert evening.later.make_due() == 0
    assert evening.keeper.cooldown_s() == 20
    evening.now += 1
    assert evening.later.make_due() == 1
    assert (evening.keeper.cooldown_s(), evening.keeper.by) == (25, ["Mara"])
    assert evening.later.pending() == []
    assert evening.later.make_due() == 0


def test_comments_of_the_file_stay() -> None:
    evening = Evening()
    evening.rest("gate", 25)
    evening.now = clock(19)
    evening.later.make_due()

    assert "cooldown_s = 25      # the first impression" in evening.keeper.toml()


def test_the_end_of_the_last_phase_is_a_change_too() -> None:
    evening = Evening(hour=20)
    assert evening.later.next_turn(When.PHASE) == (clock(22), "open")


def test_it_can_be_cancelled_and_changed_until_then() -> None:
    evening = Evening()
    evening.rest("gate", 25)
    evening.rest("gate", 30, "Jory")
    assert [(each.values[0].value, each.by) for each in evening.later.pending()] == [(30, "Jory")]

    assert evening.later.cancel(GATE)
    assert not evening.later.cancel(GATE)
    evening.now = clock(19)
    assert evening.later.make_due() == 0
    assert evening.keeper.cooldown_s() == 20


STAGGERED = (
    SHOW
    + """
[stagger]
radius_m = 5
gap_s = 3

[limits]
patience_s = 3
"""
)
WHOLE = (
    Value("stagger", None, "gap_s", 6.0),
    Value("limits", None, "patience_s", 2.5),
    Value("phase", 2, "cooldown_factor", 1.5),
    Value("prop", "gate", "cooldown_s", 10.0),
)


def test_stagger_patience_phase_factors_and_rests_wait_and_are_made_as_one_version() -> None:
    evening = Evening(text=STAGGERED)
    evening.later.add(SHOW_KEY, WHOLE, "Mara")
    evening.now = clock(18, 30)

    assert evening.later.make_due() == 1
    file = read_show(evening.keeper.toml(), "show").show
    assert (file.stagger.gap_ms, file.limits.patience_ms) == (6000, 2500)
    assert [each.cooldown_factor for each in file.phases] == [1.0, 1.5]
    assert evening.keeper.cooldown_s() == 10
    assert len(evening.keeper.versions) == 2


def test_what_is_asked_later_for_the_same_setting_takes_its_place() -> None:
    evening = Evening(text=STAGGERED)
    evening.later.add(SHOW_KEY, WHOLE, "Mara")
    evening.rest("gate", 25, "Jory")

    assert [each.key for each in evening.later.pending()] == [SHOW_KEY, GATE]
    assert Value("prop", "gate", "cooldown_s", 10.0) not in evening.later.pending()[0].values
    evening.later.add(SHOW_KEY, WHOLE, "Mara")
    assert [each.key for each in evening.later.pending()] == [SHOW_KEY]


NIGHTS = SHOW + "".join(
    f"""
[[night]]
date = 2026-11-0{day}
opens = "17:30"
closes = "22:00"
"""
    for day in (1, 2, 7)
)


@pytest.mark.parametrize(
    ("hour", "opens", "name"),
    [
        (9, clock(17, 30), "the night of 2026-11-01"),
        (18, clock(41, 30), "the night of 2026-11-02"),
        (48, clock(161, 30), "the night of 2026-11-07"),
    ],
)
def test_a_change_can_wait_for_the_next_night_however_far(hour: int, opens: int, name: str) -> None:
    evening = Evening(hour, NIGHTS)
    asked = evening.rest("gate", 25, when=When.NIGHT)
    assert (asked.due_ms, asked.phase) == (opens, name)

    evening.now = opens - 1
    assert evening.later.make_due() == 0
    evening.now = opens
    assert evening.later.make_due() == 1


def test_after_the_last_night_there_is_none_to_wait_for() -> None:
    evening = Evening(200, NIGHTS)
    with pytest.raises(CrewMistake, match="no other night is planned"):
        evening.rest("gate", 25, when=When.NIGHT)


def test_what_an_earlier_version_kept_is_still_made() -> None:
    evening = Evening()
    evening.kept[KEY] = (
        '[{"prop": "gate", "cooldown_ms": 25000, "by": "Mara", "at_ms": 1, '
        f'"due_ms": {clock(18, 30)}, "phase": "full", "fault": ""}}]'
    )
    evening.now = clock(19)
    assert evening.opened().make_due() == 1
    assert evening.keeper.cooldown_s() == 25


def test_it_outlives_a_restart_even_one_over_the_change_itself() -> None:
    evening = Evening()
    evening.rest("gate", 25)
    again = evening.opened()
    assert [each.key for each in again.pending()] == [GATE]

    evening.now = clock(19)
    assert evening.opened().make_due() == 1
    assert evening.keeper.cooldown_s() == 25
    assert evening.kept[KEY] == "[]"


def test_what_cannot_be_made_stays_and_says_why() -> None:
    evening = Evening()
    evening.rest("gate", 25)
    evening.keeper.versions.append(SHOW.replace('id = "gate"', 'id = "door"'))
    evening.now = clock(19)

    assert evening.later.make_due() == 0
    [left] = evening.later.pending()
    assert "gate" in left.fault
    assert evening.later.make_due() == 0  # it is not tried again and again
    assert evening.later.cancel(GATE)


def test_a_value_that_the_file_refuses_is_said_too() -> None:
    evening = Evening()
    evening.rest("gate", -5)
    evening.now = clock(19)
    evening.later.make_due()

    assert "cooldown_s" in evening.later.pending()[0].fault
    assert len(evening.keeper.versions) == 1


def test_a_change_that_somebody_makes_in_between_stays() -> None:
    evening = Evening()
    evening.rest("gate", 25)
    evening.now = clock(19)
    once = [SHOW.replace("duration_s = 4", "duration_s = 5")]
    evening.keeper.in_between = lambda: evening.keeper.versions.append(once.pop()) if once else None

    assert evening.later.make_due() == 1
    file = read_show(evening.keeper.toml(), "show").show
    assert (file.props[0].cooldown_ms, file.props[0].behaviours[0].duration_ms) == (25_000, 5000)


def test_a_show_without_phases_has_nothing_to_wait_for() -> None:
    text = SHOW.replace("[[phase]]", "[[quiet]]").replace('name = "gentle"\n', "")
    evening = Evening(text=text.replace('name = "full"\n', ""))

    assert evening.later.next_turn(When.PHASE) is None
    with pytest.raises(CrewMistake, match="no other phase is planned"):
        evening.rest("gate", 25)


def test_its_own_thread_makes_the_change() -> None:
    evening = Evening()
    made = Shelf.put
    seen: list[str] = []

    class Telling(Shelf):
        def put(self, text: str, by: str, on: int | None = None) -> int:
            version = made(self, text, by, on)
            seen.append(by)
            evening.later._ending = True
            return version

    evening.keeper = Telling()
    evening.later = evening.opened()
    evening.rest("gate", 25)
    evening.now = clock(19)
    evening.later.start()
    evening.later._thread.join(10)

    assert seen == ["Mara"]
