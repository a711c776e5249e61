"""Goal: "lasts till close with P" is what chance would give, and names the cooldown that helps.

Method: the forecast beside nights that are played out one group at a time, seeded.
"""

from math import sqrt

import pytest

from haunt.study.chance import Chance
from haunt.workshop.band import Band
from haunt.workshop.runtime import (
    Play,
    Stretch,
    Turn,
    forecast,
    lasting_cooldown_s,
    starts_per_hour,
    sureness,
    taken_mah,
)

GROWL = Play(1, 6, 900)
NIGHTS = 400


def played_out(
    turn: Turn, hours: float, idle_ma: float, groups_per_hour: float, seed: int
) -> float:
    """One night's mAh: groups come by chance, and only those that find the prop ready start it."""
    chance = Chance(seed, "night")
    at_s, ready_s, taken = 0.0, 0.0, idle_ma * hours
    while True:
        at_s += chance.exponential(3600 / groups_per_hour)
        if at_s >= 3600 * hours:
            return taken
        if at_s >= ready_s:
            taken += turn.plays[0].mah
            ready_s = at_s + turn.plays[0].duration_s + turn.cooldown_s


def test_the_mean_is_that_of_nights_played_out() -> None:
    turn = Turn(20, (GROWL,))
    nights = [played_out(turn, 4, 80, 60, seed) for seed in range(NIGHTS)]
    mean = sum(nights) / NIGHTS
    spread = sqrt(sum((each - mean) ** 2 for each in nights) / NIGHTS)
    takes = taken_mah((Stretch(4, (turn,)),), 80, Band.exact(60))

    assert mean == pytest.approx(takes.at, abs=4 * spread / sqrt(NIGHTS))
    # The band also holds what nobody measured, so it is wider than chance alone.
    assert takes.sigma > spread > 0


def test_chance_alone_is_never_wider_than_the_band_says() -> None:
    turn = Turn(20, (GROWL,))
    nights = [played_out(turn, 4, 0, 60, seed) for seed in range(NIGHTS)]
    takes = taken_mah((Stretch(4, (turn,)),), 0, Band.exact(60))
    inside = sum(takes.low <= each <= takes.high for each in nights)
    assert inside / NIGHTS >= 0.95


def test_energy_of_a_behaviour_is_current_times_time_times_volts() -> None:
    assert GROWL.mah == pytest.approx(1.5)  # 900 mA for 6 s: arithmetic
    assert GROWL.milliwatt_hours(7.4) == pytest.approx(11.1)


def test_a_cap_holds_the_starts_down() -> None:
    free, capped = Turn(0, (GROWL,)), Turn(0, (GROWL,), most_per_hour=10)
    assert capped.starts_per_hour(200) == 10 < free.starts_per_hour(200)


def test_what_is_barred_takes_nothing() -> None:
    assert Turn(20, ()).starts_per_hour(60) == 0
    takes = taken_mah((Stretch(4, (Turn(20, ()),)),), 50, Band.exact(60))
    assert takes.at == pytest.approx(200)


def test_a_stretched_cooldown_starts_less() -> None:
    assert starts_per_hour(60, 26) > starts_per_hour(60, 46)


def test_a_pack_that_gives_just_what_is_taken_is_a_toss_up() -> None:
    assert sureness(Band(100, 80, 120), Band(100, 90, 110)) == pytest.approx(0.5)
    assert sureness(Band.exact(100), Band.exact(100)) == 1
    assert sureness(Band.exact(99), Band.exact(100)) == 0
    found = forecast(Band(200, 180, 220), Band(100, 90, 110), 4)
    assert found.sure > 0.99
    assert found.lasts_h.low < found.lasts_h.at == 8 < found.lasts_h.high


def test_the_cooldown_that_makes_it_last_is_the_shortest_in_whole_seconds() -> None:
    def sure_at(cooldown_s: float) -> float:
        takes = taken_mah((Stretch(4, (Turn(cooldown_s, (GROWL,)),)),), 50, Band(60, 40, 80))
        return sureness(Band(420, 380, 460), takes)

    found = lasting_cooldown_s(sure_at, 10)
    assert found is not None
    assert sure_at(found) >= 0.9 > sure_at(found - 1)
    assert lasting_cooldown_s(lambda _s: 0.5, 10) is None
    assert lasting_cooldown_s(lambda _s: 1.0, 10) == 10
