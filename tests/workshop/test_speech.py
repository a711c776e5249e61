"""Goal: how long a line takes is known before anybody says it, within what a plan needs.

Method: the formula exactly, and lines of an invented garden said by espeak-ng, whose files are
measured by their own headers.
"""

import subprocess
import wave
from pathlib import Path

import pytest

from haunt.workshop.speech import seconds_to_say
from tests.outside.registry import outside

LINES = (
    "Who walks there?",
    "Turn back while you still can.",
    "Do not touch the lantern. It is not a lantern.",
    "Your shadow has been here before you.",
    "There is room for one more in the crypt, and the door is already open.",
    "I smell candles, wet wool, and something sweet.",
    "Nobody leaves by the way they came.",
    "Give me back my left hand.",
    "Listen. That is not the wind.",
    "We have been counting you. There is one more than there was at the gate.",
)


def test_a_single_word_takes_the_time_of_two_and_no_word_none() -> None:
    assert seconds_to_say(1, 150) == seconds_to_say(2, 150) == 0.8
    assert seconds_to_say(0, 150) == 0.0


@pytest.mark.parametrize("wpm", [120, 175])
def test_a_speech_program_takes_about_as_long(wpm: int, tmp_path: Path) -> None:
    """espeak-ng 1.51: short words are quicker, a pause within a line is slower."""
    reckoned, measured = [], []
    for line in LINES:
        reckoned.append(seconds_to_say(len(line.split()), wpm))
        measured.append(_said_s(line, wpm, tmp_path / "line.wav"))

    shares = [one / other for one, other in zip(measured, reckoned, strict=True)]
    outside("speech/shortest").saw(min(shares), cases=len(shares))
    outside("speech/longest").saw(max(shares), cases=len(shares))
    outside("speech/total").saw(sum(measured) / sum(reckoned) - 1)


def _said_s(line: str, wpm: int, path: Path) -> float:
    words = ["espeak-ng", "-s", str(wpm), "-w", str(path), line]
    subprocess.run(words, check=True, timeout=20)
    with wave.open(str(path), "rb") as sound:
        return sound.getnframes() / sound.getframerate()
