"""Makes sound files of lines by espeak-ng, for boards that only play files and for people's ears.

A file is named by the words it says; each voice and rate has a folder of its own.
"""

import csv
import shutil
import subprocess
import wave
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from haunt.study.pools.pool import PoolLine
from haunt.study.progress import Progress, quiet
from haunt.wire.saying import words_in
from haunt.wire.showmodels import ShowFile
from haunt.workshop.speech import seconds_to_say

PROGRAM: Final = "espeak-ng"
MISSING: Final = "espeak-ng is not installed: apt install espeak-ng makes it (Debian, Ubuntu)"
FAR_TOO_LONG_S: Final = 30


class VoiceFailed(Exception):  # noqa: N818 - the word says what happened
    """No sound could be made: what is wrong, and what to do."""


class Voices:
    """The folder of sound files of one data folder."""

    def __init__(self, data: Path) -> None:
        self._folder = data / "lines"

    def folder(self, file: ShowFile) -> Path:
        return self._folder / f"{file.info.speech_voice}-{file.info.speech_wpm}"

    def path(self, file: ShowFile, name: str) -> Path:
        return self.folder(file) / f"{name}.wav"

    def made(self, file: ShowFile) -> frozenset[str]:
        """Return the names of the lines that have a sound."""
        folder = self.folder(file)
        return frozenset(each.stem for each in folder.glob("*.wav")) if folder.is_dir() else _NONE

    def lasting_s(self, file: ShowFile, line: PoolLine, *, has_sound: bool = True) -> float:
        """Measured at its sound; else by the words of it and how fast the show says them."""
        measured = seconds_of(self.path(file, line.name)) if has_sound else None
        if measured is not None:
            return measured
        return seconds_to_say(len(words_in(line.text)), file.info.speech_wpm)

    def make(self, file: ShowFile, lines: Sequence[PoolLine], progress: Progress = quiet) -> int:
        """Make what is not there yet, and return how many those were. Raises VoiceFailed."""
        if shutil.which(PROGRAM) is None:
            raise VoiceFailed(MISSING)
        there = self.made(file)
        wanted = {each.name: each.text for each in lines if each.name not in there}
        folder = self.folder(file)
        folder.mkdir(parents=True, exist_ok=True)
        for done, (name, text) in enumerate(wanted.items()):
            progress(done, len(wanted))
            speak(text, folder / f"{name}.wav", file.info.speech_voice, file.info.speech_wpm)
        progress(len(wanted), len(wanted))
        return len(wanted)


_NONE: Final = frozenset[str]()


def speak(text: str, path: Path, voice: str, wpm: int) -> None:
    """Write one WAV file, whole or not at all. Raises VoiceFailed."""
    half = path.with_suffix(".part")
    try:
        done = subprocess.run(  # noqa: S603 - no shell; the words go in by the pipe
            [_program(), "-v", voice, "-s", str(wpm), "-w", str(half), "--stdin"],
            input=text,
            text=True,
            capture_output=True,
            timeout=FAR_TOO_LONG_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as fault:
        raise VoiceFailed(f"{PROGRAM} did not answer: {fault}") from fault
    if done.returncode or not half.is_file():
        said = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        raise VoiceFailed(f"{PROGRAM} could not say {text[:40]!r} in the voice {voice!r}: {said}")
    half.replace(path)


def _program() -> str:
    return shutil.which(PROGRAM) or PROGRAM


def seconds_of(path: Path) -> float | None:
    """Return how long a sound lasts by its own header; None where it has none."""
    try:
        with wave.open(str(path), "rb") as sound:
            return sound.getnframes() / sound.getframerate()
    except (OSError, EOFError, wave.Error, ZeroDivisionError):
        return None


class Card(NamedTuple):
    """What goes onto one board's card."""

    board: str
    lines: tuple[PoolLine, ...]


def write_cards(cards: Iterable[Card], voices: Voices, file: ShowFile, out: Path) -> int:
    """Copy each board's sounds into a folder of its own, with a list of what says what."""
    count = 0
    for card in cards:
        folder = out / card.board
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / "lines.csv").open("w", encoding="utf-8", newline="") as listed:
            rows = csv.writer(listed)
            rows.writerow(("file", "seconds", "prop", "behaviour", "line"))
            for each in card.lines:
                sound = voices.path(file, each.name)
                shutil.copyfile(sound, folder / sound.name)
                lasts = f"{seconds_of(sound) or 0:.2f}"
                rows.writerow((sound.name, lasts, each.prop, each.behaviour, each.text))
                count += 1
    return count
