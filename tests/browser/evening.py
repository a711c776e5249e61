"""The real program with the demo's boards and visitors, and an evening behind it in its journal.

`python -m tests.browser.evening PORT FOLDER`; 127.0.0.1 only, everybody is owner there.
"""

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from haunt.bootstrap.demo import Company, demo_show
from haunt.bootstrap.server import run_server
from haunt.config import Config
from haunt.site.rights import Role
from tests.bootstrap.packnight import FROM_MS, HOUR_MS, lay
from tests.browser.house import ROOT, START_S, House

HOURS = 3.5
SEED = 11
TABLES = ("health", "motions", "decisions")
AGO_MS = 86_400_000
"""The evening was yesterday's: today's boards write their own."""


def an_evening_before(data: Path, now_ms: int) -> None:
    lay(data, HOURS)
    moved_ms = now_ms - AGO_MS - FROM_MS - round(HOURS * HOUR_MS)
    with closing(sqlite3.connect(data / "haunt.db")) as connection:
        for table in TABLES:
            connection.execute(f"UPDATE {table} SET at_ms = at_ms + ?", (moved_ms,))
        connection.execute("UPDATE shows SET at_ms = at_ms + ?", (moved_ms,))
        connection.commit()


def serve(port: int, data: Path) -> int:
    data.mkdir(parents=True, exist_ok=True)
    show = data / "show.toml"
    is_first = not show.exists()
    if is_first:
        an_evening_before(data, time.time_ns() // 1_000_000)
        show.write_text(demo_show(datetime.now().astimezone()))
    config = Config(data, "127.0.0.1", port, "127.0.0.1", 0, "auto", "", show)
    # Boards have their credentials of the first start; a second is there for the pages alone.
    company = Company(data, 1.0, SEED) if is_first else None
    return run_server(config, print, company=company, guest=Role.OWNER)


@dataclass(slots=True)
class RealHouse(House):
    """The same handles as the stand-in's, over the whole program; it can be started again."""

    data: Path = Path()

    def start(self) -> None:
        words = [sys.executable, "-m", "tests.browser.evening", str(self.port), str(self.data)]
        self._process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL)
        until = time.monotonic() + 3 * START_S
        while not self.answers():
            assert self._process.poll() is None, "the evening ended at once"
            assert time.monotonic() < until, "the evening does not answer"
            time.sleep(0.1)

    def end(self) -> None:
        """In order: the broker that it keeps would outlive a program that is killed."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.send_signal(signal.SIGCONT)
        process.send_signal(signal.SIGINT)
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(15)


if __name__ == "__main__":
    sys.exit(serve(int(sys.argv[1]), Path(sys.argv[2])))
