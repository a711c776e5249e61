"""Goal: who installs haunt without its extras can run all of it on a file.

Method: another interpreter in which an extra's package cannot be imported imports every module;
PostgreSQL's driver may be missed by one module alone, and where that database is asked for.
"""

import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NEEDS_IT = {"haunt.store.patience"}

EVERYTHING = """
import importlib, pkgutil, sys
sys.modules["psycopg"] = None
import haunt
missed = set()
for each in pkgutil.walk_packages(haunt.__path__, "haunt."):
    try:
        importlib.import_module(each.name) if not each.name.endswith("__main__") else None
    except ModuleNotFoundError:
        missed.add(each.name)
print(*sorted(missed))
"""
ASKED = """
import sys
sys.modules["psycopg"] = None
from haunt.cli import app
url = "postgresql://jo@127.0.0.1:1/x"
app(["serve", "--listen", "127.0.0.1:0", "--database", url, *sys.argv[1:]])
"""


def alone(program: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_no_module_but_the_drivers_own_needs_the_driver_of_postgresql() -> None:
    ended = alone(EVERYTHING)

    assert ended.returncode == 0, ended.stderr
    assert set(ended.stdout.split()) == NEEDS_IT


def test_a_server_that_is_to_use_postgresql_says_which_package_it_lacks(tmp_path: Path) -> None:
    ended = alone(ASKED, "--data", str(tmp_path))

    assert ended.returncode == 1
    assert "PostgreSQL needs the package psycopg" in ended.stdout + ended.stderr
    assert "Traceback" not in ended.stderr


def test_the_driver_is_an_extra() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extra = told["optional-dependencies"]["postgresql"]

    assert not any(each.startswith("psycopg") for each in told["dependencies"])
    assert any(each.startswith("psycopg") for each in extra)
