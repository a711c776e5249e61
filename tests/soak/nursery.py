"""Servers born of a process that has imported everything already, to be killed by the hundred.

A start costs no import then, which is half of it; all that a server does itself, from opening its
database on, it still does. `python -m tests.soak.nursery` reads one birth a line, answers its pid.
"""

import gc
import importlib
import json
import os
import secrets
import select
import signal
import subprocess
import sys
import threading
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Self

from haunt.store import postgres
from tests.soak import crashing, spaces
from tests.system.house import ROOT


class Born:
    """A server that is nobody's child here: watched by its descriptor, so never mistaken."""

    def __init__(self, pid: int) -> None:
        self.pid, self._watched = pid, os.pidfd_open(pid)

    def poll(self) -> int | None:
        """Return 0 once it has ended; how, nobody here can tell."""
        return 0 if self._has_ended(0) else None

    def wait(self, timeout: float | None = None) -> int:
        if not self._has_ended(timeout):
            raise subprocess.TimeoutExpired(str(self.pid), timeout or 0)
        return 0

    def send_signal(self, sign: int) -> None:
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._watched, sign)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def forget(self) -> None:
        os.close(self._watched)

    def _has_ended(self, timeout_s: float | None) -> bool:
        ready, _, _ = select.select([self._watched], [], [], timeout_s)
        return bool(ready)


class Nursery:
    """The process with everything imported, seen from a run."""

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.soak.nursery"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=30)

    def bear(self, words: Sequence[str], log: Path, space: str = "") -> Born:
        """In a network namespace, where one is named."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps([str(log), space, *words]), file=self._process.stdin, flush=True)
        return Born(int(self._process.stdout.readline()))


def main() -> None:
    """Bear until the input ends."""
    for name in ("haunt.bootstrap.server", "uvicorn", "haunt.store.schema"):
        importlib.import_module(name)
    assert threading.active_count() == 1, "a process of several threads cannot be forked"
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for them
    gc.freeze()  # neither those who are born nor our own end go through all that was imported
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _live(*json.loads(line))
        print(pid, flush=True)


def _live(log: str, space: str, point: str, number: str, *words: str) -> None:
    if space:
        spaces.enter(space)
    # Drawn at the import: of servers on one database each must have a name of its own.
    postgres.LINE["application_name"] = f"haunt-{secrets.token_hex(6)}"
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    for at, path, flags in ((0, os.devnull, os.O_RDONLY), (1, os.devnull, os.O_WRONLY)):
        os.dup2(os.open(path, flags), at)
    os.dup2(os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600), 2)
    code = 0
    try:
        crashing.begin(point, int(number), words)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    except BaseException:  # noqa: BLE001 - said, then it ends: the nursery's loop is not its own
        traceback.print_exc()
        code = 1
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    main()
