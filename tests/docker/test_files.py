"""Goal: what docker/ holds is right in the eyes of the programs that will read it.

Method: Debian's own compose and systemd read the files; what they name is held against the code.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from haunt.config import SETTINGS

DOCKER = Path(__file__).resolve().parents[2] / "docker"
COMPOSE = DOCKER / "compose.yaml"
UNIT, PARK = DOCKER / "haunt.service", DOCKER / "haunt@.service"


def composed(text: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Let it be read by Debian's compose, from a folder of its own."""
    file = folder / "compose.yaml"
    file.write_text(text)
    return subprocess.run(
        ["docker-compose", "-f", file, "config", "-q"],
        check=False,
        capture_output=True,
        text=True,
        env={"PATH": os.environ["PATH"], **environment},
    )


def test_compose_reads_its_file_and_asks_for_the_password(tmp_path: Path) -> None:
    text = COMPOSE.read_text()

    assert composed(text, tmp_path, POSTGRES_PASSWORD="x").returncode == 0
    missing = composed(text, tmp_path)
    assert missing.returncode != 0
    assert "put it into .env" in missing.stderr
    wrong = composed(text.replace("read_only:", "reads_only:"), tmp_path, POSTGRES_PASSWORD="x")
    assert wrong.returncode != 0, "a key that does not exist is noticed, so the first result counts"


def test_every_variable_in_the_compose_file_is_a_setting() -> None:
    services = yaml.safe_load(COMPOSE.read_text())["services"]
    named = {key for key in services["haunt"]["environment"] if key.startswith("HAUNT_")}

    assert named == {"HAUNT_BROKER", "HAUNT_DATABASE"}
    assert {each.removeprefix("HAUNT_").lower() for each in named} <= set(SETTINGS)


def test_nothing_in_the_compose_file_may_write_its_root_or_gain_rights() -> None:
    services = yaml.safe_load(COMPOSE.read_text())["services"]

    for name in ("haunt", "broker"):
        assert services[name]["read_only"] is True
        assert services[name]["cap_drop"] == ["ALL"]
        assert services[name]["security_opt"] == ["no-new-privileges:true"]
    assert services["broker"]["user"] == re.search(r"--uid (\d+)", image())[1]  # type: ignore[index]


def image() -> str:
    return (DOCKER / "Dockerfile").read_text()


@pytest.mark.parametrize(("unit", "name"), [(UNIT, "haunt"), (PARK, "haunt@park")])
def test_the_unit_is_sound_in_systemds_own_eyes(tmp_path: Path, unit: Path, name: str) -> None:
    verify = shutil.which("systemd-analyze")
    assert verify is not None, "the test command installs systemd's tools"
    command = re.search(r"^ExecStart=(\S+)", unit.read_text(), re.MULTILINE)
    assert command is not None
    here = tmp_path / f"{name}.service"
    here.write_text(unit.read_text().replace(command[1], "/bin/true"))
    found = subprocess.run([verify, "verify", here], check=False, capture_output=True, text=True)
    assert (found.returncode, found.stderr) == (0, "")

    here.write_text(here.read_text().replace("Type=notify", "Type=notifies"))
    found = subprocess.run([verify, "verify", here], check=False, capture_output=True, text=True)
    assert "notifies" in found.stderr, "a wrong word is noticed, so the silence above counts"


@pytest.mark.parametrize("path", [COMPOSE, UNIT, DOCKER / "Dockerfile", DOCKER / "mosquitto.conf"])
def test_no_file_names_a_registrys_host(path: Path) -> None:
    assert not re.search(r"\b[a-z0-9-]+\.(io|com|org|net)\b", path.read_text())
