"""Long work for pages, in a child process at low priority: one at a time, its progress, its end.

The running night loses no moment to it. What a child prints is kept for whoever asks again.
"""

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from haunt.site.workports import Work, WorkState

KEPT_MAX: Final = 24
LONGEST_S: Final = 600
NICENESS: Final = "15"
PROGRAM: Final = (sys.executable, "-m", "haunt")


def gently(words: Sequence[str]) -> list[str]:
    """Return the command line that runs these words at low priority, where there is one."""
    return ["nice", "-n", NICENESS, *words] if os.name == "posix" else [*words]


class Errands:
    """Runs `haunt` with other words; thread-safe. `key` names what is asked for.

    `told` hears of every change, from whichever thread makes it.
    """

    def __init__(
        self,
        longest_s: float = LONGEST_S,
        program: Sequence[str] | None = None,
        told: Callable[[str, Work], None] = lambda _key, _work: None,
        settings: Mapping[str, str] | None = None,
    ) -> None:
        """`settings` are variables for the child: what only this process was told by flags."""
        self._told = told
        self._settings = dict(settings or {})
        self._program = tuple(program or PROGRAM)
        self._longest_s = longest_s
        self._lock = threading.Lock()
        self._known: dict[str, Work] = {}
        self._running: tuple[str, subprocess.Popen[str]] | None = None
        self._closed = False

    def ask(self, key: str, words: Sequence[str], *, again: bool = False) -> Work:
        """Return how far it is; begin where it was not done yet and nothing else runs."""
        with self._lock:
            known = self._known.get(key)
            if known is not None and not (again and known.state is not WorkState.RUNNING):
                return known
            if self._closed:
                return Work(WorkState.FAILED, said="the server is ending")
            if self._running is not None:
                return Work(WorkState.BUSY, said="something else is being worked out: ask again")
            return self._begin(key, words)

    def look(self, key: str) -> Work | None:
        with self._lock:
            return self._known.get(key)

    def cancel(self, key: str) -> None:
        """End it if it runs; what was done of it is lost."""
        with self._lock:
            if self._running is not None and self._running[0] == key:
                self._running[1].kill()

    def stop(self) -> None:
        """End what runs; nothing begins afterwards."""
        with self._lock:
            self._closed = True
            if self._running is not None:
                self._running[1].kill()

    def _begin(self, key: str, words: Sequence[str]) -> Work:
        child = subprocess.Popen(  # noqa: S603 - our own program; ids in it are checked by the page
            gently([*self._program, *words]),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **self._settings},
        )
        self._running = (key, child)
        self._keep(key, Work(WorkState.RUNNING))
        threading.Thread(target=self._mind, args=(key, child), name="errand", daemon=True).start()
        return self._known[key]

    def _mind(self, key: str, child: "subprocess.Popen[str]") -> None:
        timer = threading.Timer(self._longest_s, child.kill)
        timer.daemon = True
        timer.start()
        output: list[str] = []
        assert child.stdout is not None and child.stderr is not None  # noqa: PT018 - both piped
        reader = threading.Thread(target=_read_all, args=(child.stdout.read, output), daemon=True)
        reader.start()
        said = ""
        for line in child.stderr:
            parts = line.split()
            if len(parts) == 3 and parts[0] == "progress":
                with self._lock:
                    self._keep(key, Work(WorkState.RUNNING, int(parts[1]), int(parts[2])))
            elif line.strip():
                said = line.strip().removeprefix("haunt: ")
        code = child.wait()
        reader.join()
        timer.cancel()
        child.stdout.close()
        child.stderr.close()
        with self._lock:
            self._running = None
            self._keep(key, self._ended(code, "".join(output), said))

    def _ended(self, code: int, output: str, said: str) -> Work:
        if code == 0:
            return Work(WorkState.DONE, output=output)
        if code < 0:
            return Work(
                WorkState.FAILED, said=f"ended early, or took more than {self._longest_s:g} s"
            )
        return Work(WorkState.FAILED, said=said or "it failed")

    def _keep(self, key: str, work: Work) -> None:
        self._known.pop(key, None)
        self._known[key] = work
        while len(self._known) > KEPT_MAX:
            del self._known[next(iter(self._known))]
        self._told(key, work)


def _read_all(read: Callable[[], str], into: list[str]) -> None:
    into.append(read())


class Latest:
    """What was asked for last, of several things of which one is of interest at a time."""

    def __init__(self, errands: Errands) -> None:
        self._errands = errands
        self._key = ""

    def ask(self, words: Sequence[str]) -> Work:
        key = " ".join(words)
        found = self._errands.ask(key, words, again=True)
        if not found.said:
            self._key = key
        return found

    def look(self) -> Work | None:
        return self._errands.look(self._key) if self._key else None

    def cancel(self) -> None:
        if self._key:
            self._errands.cancel(self._key)
