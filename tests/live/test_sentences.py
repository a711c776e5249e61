"""Goal: every decision can be said in a sentence. Method: every reason once; wording by example."""

import pytest

from haunt.live.sentences import reasons, sentence


@pytest.mark.parametrize("reason", reasons())
def test_every_reason_has_a_sentence(reason: str) -> None:
    said = sentence({"outcome": "refused", "reason": reason, "source": "motion", "margin": 3200})

    assert said.startswith("Refused: ")
    assert said.endswith(".")


def test_a_cooldown_is_said_with_what_is_left_of_it() -> None:
    said = sentence(
        {"outcome": "refused", "reason": "cooldown", "source": "motion", "margin": 3200}
    )

    assert said == "Refused: it rests, 3.2 s left."


def test_a_firing_says_by_whom_and_how_long_it_waited() -> None:
    fired = {"outcome": "fired", "reason": None, "behaviour": "growl", "source": "hand"}

    assert sentence(fired) == "Fired growl by hand."
    assert sentence({**fired, "source": "motion", "waited_ms": 1500}) == (
        "Fired growl after 1.5 s of waiting."
    )
