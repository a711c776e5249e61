"""Goal: what is legal and yet worth a thought is said in a sentence. Method: two small shows."""

from haunt.study.notes import notes
from tests.core.stage import prop, sensor, show


def test_patience_that_outlasts_the_cooldown_is_noted() -> None:
    [said] = notes(show(prop(cooldown_ms=3000), sensor()))
    assert "patience of 3 s outlasts its cooldown of 3 s" in said
    assert notes(show(prop(cooldown_ms=3001), sensor())) == []


def test_how_many_neighbours_one_motion_can_fire_is_told() -> None:
    pair = show(prop(neighbours=("well",)), prop("well", neighbours=("gate",)), gap_ms=1000)
    assert "one motion can fire 4 of the props" in notes(pair)[-1]
