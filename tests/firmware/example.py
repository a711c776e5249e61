"""Builds the C++ example on this machine, once a run of the tests, and talks with its pure part."""

import atexit
import json
import shutil
import socket
import subprocess
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any, Final, Self

from tests.firmware.modules import FIRMWARE

COMPILER: Final = shutil.which("g++")
SHIM: Final = Path(__file__).parent / "shim"
EXAMPLE: Final = FIRMWARE / "arduino" / "haunt_board"
# Bounds and arithmetic are watched: on a board nobody would notice.
GUARDS: Final = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")
WARNINGS: Final = ("-Wall", "-Wextra", "-Werror")
FLAGS: Final = ("-std=c++17", *WARNINGS, *GUARDS, f"-I{EXAMPLE}", f"-I{SHIM}")
PURE: Final = ("json.cpp", "payloads.cpp", "board.cpp")
SKETCH: Final = (*PURE, "session.cpp", "haunt_board.ino")


@cache
def drive() -> Path:
    """The pure part with a hand on it."""
    return _built("drive", [SHIM / "drive.cpp", *(EXAMPLE / each for each in PURE)])


@cache
def sketch() -> Path:
    """The whole example as it is, with the shim in place of a board."""
    return _built("sketch", [SHIM / "board_shim.cpp", *(EXAMPLE / each for each in SKETCH)])


def _built(name: str, sources: list[Path]) -> Path:
    missing = [each for each in sources if not _object(each).exists()]
    running = [
        subprocess.Popen(
            [_compiler(), *FLAGS, _effort(each), "-x", "c++", "-c", each, "-o", _object(each)]
        )
        for each in missing
    ]
    assert [each.wait(120) for each in running] == [0] * len(running)
    out = _folder() / name
    objects = [_object(each) for each in sources]
    subprocess.run([_compiler(), *GUARDS, *objects, "-o", out], check=True)
    return out


def _effort(source: Path) -> str:
    """Some warnings come only of looking closely; what stands around the example needs none."""
    return "-O1" if source.parent == EXAMPLE else "-O0"


def _object(source: Path) -> Path:
    return _folder() / f"{source.stem}.o"


@cache
def _folder() -> Path:
    made = Path(mkdtemp(prefix="haunt-example-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def _compiler() -> str:
    assert COMPILER is not None, "the tests need g++"
    return COMPILER


class ExampleBoard:
    """The example as a process of its own. Its inputs are the pins that the sketch names."""

    SENSOR_PIN: Final = 4

    def __init__(self, host: str, port: int, credential: dict[str, Any], pins_port: int) -> None:
        self._pins_port = pins_port
        env = {
            "HAUNT_TEST_HOST": host,
            "HAUNT_TEST_PORT": str(port),
            "HAUNT_TEST_BOARD": credential["username"],
            "HAUNT_TEST_PASSWORD": credential["password"],
            "HAUNT_TEST_ROOT": credential["root"],
            "HAUNT_TEST_PINS": str(pins_port),
        }
        self._process = subprocess.Popen(
            [sketch()], env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def sense(self, level: int) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.sendto(f"{self.SENSOR_PIN} {level}".encode(), ("127.0.0.1", self._pins_port))

    def kill(self) -> bool:
        """Whether it had lived until now."""
        lived = self._process.poll() is None
        self._process.kill()
        self._process.wait(10)
        return lived


class Driven:
    """The example's pure part as a process that is told one thing at a time."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [drive()], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        assert self._process.wait(10) == 0
        self._process.stdout.close()

    def ask(self, *words: object) -> list[str]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(" ".join(map(str, words)) + "\n")
        self._process.stdin.flush()
        answer: list[str] = []
        while (line := self._process.stdout.readline().rstrip("\n")) != ".":
            assert line, f"it ended at {words}"
            answer.append(line)
        return answer

    def read(self, kind: str, payload: bytes) -> dict[str, str] | None:
        said = self.ask("read", kind, payload.hex() or "-")
        words = said[0].split() if said else []
        return dict(zip(words[::2], words[1::2], strict=True)) if said else None

    def write(self, kind: str, value: dict[str, Any]) -> dict[str, Any]:
        words = [
            part for key, each in _flat(value) for part in (key, str(each).encode().hex() or "-")
        ]
        made: dict[str, Any] = json.loads(bytes.fromhex(self.ask("write", kind, *words)[0]))
        return made


def _flat(value: dict[str, Any]) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for key, each in value.items():
        if isinstance(each, dict):
            found += [(f"{key}.{name}", count) for name, count in each.items()]
        elif each is not None:
            found.append((key, int(each) if isinstance(each, bool) else each))
    return found
