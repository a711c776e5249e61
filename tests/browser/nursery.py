"""A process that has imported the stand-in, and forks one of it for each house.

Importing takes a second of a quiet machine and most of a busy one's patience; forking takes none.
`python -m tests.browser.nursery` reads a port and a kind a line, and answers with the child's id.
"""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import IO

from tests.site.standin import serve

ROOT = Path(__file__).resolve().parents[2]
LOOK_EVERY_S = 0.02


class Forked:
    """A child of the nursery, with the handles of a process of ours."""

    def __init__(self, pid: int) -> None:
        self._pid = pid

    def poll(self) -> int | None:
        try:
            os.kill(self._pid, 0)
        except ProcessLookupError:
            return 0
        return None

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self._pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def wait(self, timeout: float) -> int:
        until = time.monotonic() + timeout
        while self.poll() is None:
            if time.monotonic() > until:
                raise subprocess.TimeoutExpired("stand-in", timeout)
            time.sleep(LOOK_EVERY_S)
        return 0


class Nursery:
    """Begun with the first child; `close` ends it and all of them."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def child(self, port: int, kind: str) -> Forked:
        if self._process is None:
            words = [sys.executable, "-m", "tests.browser.nursery"]
            pipe = subprocess.PIPE
            self._process = subprocess.Popen(words, cwd=ROOT, stdin=pipe, stdout=pipe, text=True)
        asks, answers = self._process.stdin, self._process.stdout
        assert asks is not None
        assert answers is not None
        print(port, kind, file=asks, flush=True)
        return Forked(int(answers.readline()))

    def close(self) -> None:
        if self._process is not None:
            self._process.communicate(timeout=15)
            self._process = None


def bear(asks: IO[str]) -> None:
    """Fork as asked until nobody asks any more; then nobody wants the children either."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the system buries them
    children = []
    for line in asks:
        port, kind = line.split()
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            os.dup2(2, 1)
            serve(int(port), kind)
            os._exit(0)
        children.append(Forked(pid))
        print(pid, flush=True)
    for child in children:
        child.kill()


if __name__ == "__main__":
    bear(sys.stdin)
