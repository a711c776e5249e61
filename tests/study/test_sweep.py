"""Goal: advice on a cooldown is right where the truth is known, and "change nothing" where it is.

Method: invented evenings; the truth is counted from the groups themselves.
"""

from dataclasses import replace

from haunt.study.advice import advise
from haunt.study.measures import Draws
from haunt.study.sweep import Night, Setting, attempt, changed, front, night_of
from tests.study.evenings import evening, one_prop, poisson

HOUR_MS = 3_600_000
DRAWS = Draws({("gate", "growl"): 1000.0}, {"b1": 80.0}, {"b1": 2000.0})


def a_night(cooldown_ms: int, every_ms: int = 30_000, hours: int = 4, **more: int | None) -> Night:
    groups = [(at, 3000) for at in range(0, hours * HOUR_MS, every_ms)]
    return night_of(evening(groups, hours * HOUR_MS), one_prop(cooldown_ms, **more), DRAWS)


def test_a_rest_longer_than_the_gap_between_groups_is_shortened_to_just_under_it() -> None:
    """Groups come every 30 s: 4 s of play and 25 s of rest answer all of them."""
    advice = advise([a_night(45_000)], "gate")

    assert (advice.visits, advice.answered) == (480, 240)
    assert advice.cooldown_ms == 25_000
    assert (advice.gain, advice.sure) == (240, 1.0)
    assert {t.cooldown_ms: t.answered for t in advice.tried}[40_000] == 240
    assert [t.cooldown_ms for t in advice.tried] == sorted(t.cooldown_ms for t in advice.tried)
    assert advice.low > 0


def test_where_all_groups_are_answered_nothing_is_to_be_changed() -> None:
    advice = advise([a_night(20_000)], "gate")

    assert (advice.cooldown_ms, advice.gain) == (None, 0)
    assert advice.answered == advice.visits
    assert "nothing tried answers more groups" in advice.why


def test_a_pack_that_would_not_last_is_a_reason_to_change_nothing() -> None:
    """240 more plays of 4 s at 1 A are 267 mAh of 2,000: 13 points."""
    with_little, with_much = (
        advise([a_night(45_000)], "gate", [25_000], charge_left_percent=left) for left in (20, 30)
    )

    assert with_little.cooldown_ms is None
    assert "pack would not last" in with_little.why
    assert with_much.cooldown_ms == 25_000


def test_a_motor_at_its_duty_is_a_reason_to_change_nothing() -> None:
    """A start every 30 s is on for 2 s of 30: 67 per mille. The rule would refuse; so do we."""
    night = a_night(45_000)
    strict = replace(night.show.props[0], duty_permille=60)
    advice = advise([replace(night, show=replace(night.show, props=(strict,)))], "gate", [25_000])

    assert advice.cooldown_ms is None or advice.gain < 240


def test_one_lucky_half_hour_is_not_enough() -> None:
    """One pair of groups 20 s apart in four hours: a shorter rest gains one group by chance."""
    groups = [(at, 0) for at in range(0, 4 * HOUR_MS, 600_000)]
    night = night_of(evening([*groups, (20_000, 0)], 4 * HOUR_MS), one_prop(30_000), DRAWS)
    advice = advise([night], "gate", [10_000])

    assert advice.cooldown_ms is None
    assert "unsure" in advice.why


def test_several_nights_make_it_surer() -> None:
    nights = [
        night_of(evening(poisson(seed, 120_000, 4 * HOUR_MS), 4 * HOUR_MS), one_prop(60_000), DRAWS)
        for seed in (1, 2, 3)
    ]
    alone, together = advise(nights[:1], "gate", [20_000]), advise(nights, "gate", [20_000])

    assert together.gain > alone.gain
    assert together.sure >= alone.sure


def test_the_front_keeps_no_setting_that_another_beats_in_every_way() -> None:
    groups = [(at, 12_000) for at in range(0, HOUR_MS, 30_000)]
    night = night_of(evening(groups, HOUR_MS), one_prop(45_000), DRAWS)
    trials = [attempt(night, Setting("gate", 1000 * s)) for s in (4, 15, 45, 60)]
    kept = front(trials)

    assert {t.setting.cooldown_ms for t in kept} >= {15_000, 60_000}
    assert 4000 not in {t.setting.cooldown_ms for t in kept}  # fires twice for the same group


def test_a_setting_changes_what_it_names_and_nothing_else() -> None:
    base = one_prop(20_000)

    assert changed(base, Setting()) == base
    assert changed(base, Setting("gate", 5000)).props[0].cooldown_ms == 5000
    assert changed(base, Setting(gap_ms=4000)).gap_ms == 4000
    patient = changed(base, Setting(patience_ms=5000))
    assert [b.patience_ms for b in patient.props[0].behaviours] == [5000]
