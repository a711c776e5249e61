"""Goal: `haunt check` ends with 1 where something must be mended, and says the same to programs.

Method: the command itself, in this process, on example files and on a broken one.
"""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from haunt.cli import app

FOLDER = Path(__file__).parent.parent.parent / "haunt" / "examples"


def check(*words: str) -> tuple[int, str]:
    found = CliRunner().invoke(app, ["check", *words])
    return found.exit_code, found.output


@pytest.mark.parametrize(
    ("name", "code"), [("first-night", 0), ("garden", 0), ("planted-faults", 1)]
)
def test_only_what_must_be_mended_fails_the_command(name: str, code: int) -> None:
    assert check(str(FOLDER / f"{name}.toml"))[0] == code
    assert check(str(FOLDER / f"{name}.toml"), "--json")[0] == code


def test_a_should_alone_does_not_fail_it(tmp_path: Path) -> None:
    text = (FOLDER / "first-night.toml").read_text(encoding="utf-8")
    file = tmp_path / "loud.toml"
    file.write_text(text.replace("level_dba = 82", "level_dba = 104"), encoding="utf-8")
    code, said = check(str(file))
    assert (code, "1 should" in said) == (0, True)


def test_faults_are_told_with_their_line_and_fail_it(tmp_path: Path) -> None:
    file = tmp_path / "broken.toml"
    file.write_text('[show]\nid = "x"\ntime_zone = "UTC"\nwalks = 1\n', encoding="utf-8")
    code, said = check(str(file))
    assert code == 1
    assert "broken.toml:4: show.walks" in said
    assert said.splitlines()[-1] == "1 fault"
    code, said = check(str(file), "--json")
    assert code == 1
    assert [each["line"] for each in json.loads(said)["faults"]] == [4]


def test_a_program_reads_every_finding_with_its_number() -> None:
    code, said = check(str(FOLDER / "planted-faults.toml"), "--json")
    plain = json.loads(said)
    assert code == 1
    assert plain["faults"] == []
    assert plain["counts"]["must"] == sum(e["severity"] == "must" for e in plain["findings"])
    [alone] = [each for each in plain["findings"] if each["check"] == "flash-alone"]
    assert (alone["value"], alone["limit"], alone["margin"], alone["unit"]) == (9, 4, -5, "/s")


def test_a_missing_file_is_a_wrong_use() -> None:
    assert check("nowhere.toml")[0] == 2
