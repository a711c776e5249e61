"""Goal: the command line brings lines in, prepares more and makes sounds, or says why not.

Method: a data folder with the example garden, the real commands, the real speech program; each
sound is measured by its own header.
"""

import csv
import json
import wave
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from haunt.bootstrap.voices import VoiceFailed, seconds_of, speak
from haunt.cli import app
from haunt.wire.saying import line_id

GARDEN = Path(__file__).resolve().parents[2] / "haunt" / "examples" / "garden.toml"
WELL = ("--prop", "old-well", "--behaviour", "voice-from-below")
GATE = ("--prop", "gatekeeper", "--behaviour", "growl")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    assert run("import", str(GARDEN), "--data", str(tmp_path / "data")).exit_code == 0
    return tmp_path / "data"


def run(*words: str) -> Result:
    return CliRunner().invoke(app, words)


def lines(data: Path, *words: str) -> Result:
    return run("lines", *words, "--data", str(data))


def listed(data: Path, *words: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(lines(data, "list", "--json", *words).stdout)
    return found


def test_lines_of_the_show_are_listed_with_their_state_and_length(data: Path) -> None:
    found = listed(data, "--prop", "old-well")

    assert len(found) == 5
    assert {each["state"] for each in found} == {"kept"}
    first = found[0]
    assert (first["line"], first["seconds"]) == ("Did you drop something?", 1.6)
    assert found[-1]["intensity"] == 3


def test_a_file_is_brought_in_and_only_what_is_new_counts(data: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    own.write_text("line,intensity\nI hear every step above me.,\nLook down.,4\n")

    done = lines(data, "import", str(own), *WELL)

    assert (done.exit_code, done.stdout.split(";")[0]) == (0, "1 new lines of 2")
    assert [each["line"] for each in listed(data, "--state", "new")] == ["Look down."]


def test_a_file_with_faults_brings_nothing_and_names_them(data: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    own.write_text("line,intensity\nfine,1\nloud,11\n")

    done = lines(data, "import", str(own), *WELL)

    assert done.exit_code == 1
    assert f"{own}:3: intensity is '11'; allowed: 1 to 5, or nothing" in done.stderr
    assert listed(data, "--state", "new") == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("import", str(GARDEN), "--prop", "nobody", "--behaviour", "x"), "no behaviour nobody.x"),
        (("prepare", *WELL), "there are 5 own sentences; 8 are the least"),
        (("prepare", "--prop", "gatekeeper", "--behaviour", "howl"), "there are gatekeeper.growl"),
    ],
)
def test_what_stands_in_the_way_is_said(data: Path, words: tuple[str, ...], said: str) -> None:
    done = lines(data, *words)

    assert done.exit_code == 1
    assert said in done.stderr


def test_lines_are_prepared_out_of_the_props_own_words_as_new_ones(data: Path) -> None:
    done = lines(data, "prepare", *GATE, "--count", "5", "--progress")

    assert done.exit_code == 0, done.stderr
    assert done.stdout.splitlines() == [e["line"] for e in listed(data, "--state", "new")]
    assert "progress 5 5" in done.stderr
    again = lines(data, "prepare", *GATE, "--count", "5")
    assert not set(done.stdout.splitlines()) & set(again.stdout.splitlines())


def test_sounds_are_made_once_and_written_for_each_board(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "cards"

    done = lines(data, "render", "--out", str(out), "--progress")

    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("18 sounds made, 18 written")
    assert "progress 18 18" in done.stderr
    rows = list(csv.DictReader((out / "well" / "lines.csv").read_text().splitlines()))
    name = line_id("Did you drop something?")
    assert rows[0]["file"] == f"{name}.wav"
    with wave.open(str(out / "well" / f"{name}.wav"), "rb") as sound:
        lasts_s = sound.getnframes() / sound.getframerate()
    assert rows[0]["seconds"] == f"{lasts_s:.2f}"
    assert listed(data, "--prop", "old-well")[0]["seconds"] == round(lasts_s, 2)
    assert lines(data, "render").stdout == "0 sounds made\n"


def test_a_voice_that_is_not_there_is_said_and_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(VoiceFailed, match="in the voice 'zz-nobody'"):
        speak("Boo!", tmp_path / "boo.wav", "zz-nobody", 150)

    assert list(tmp_path.iterdir()) == []


def test_words_that_look_like_an_option_are_said(tmp_path: Path) -> None:
    speak("--help", tmp_path / "x.wav", "en", 150)

    assert (seconds_of(tmp_path / "x.wav") or 0) > 0.2


def test_what_is_no_sound_has_no_length(tmp_path: Path) -> None:
    (tmp_path / "x.wav").write_bytes(b"RIFF of nothing")

    assert seconds_of(tmp_path / "x.wav") is None
    assert seconds_of(tmp_path / "none.wav") is None
