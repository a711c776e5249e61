"""Restores a folder again and again, killed at the first, the second, the n-th thing done to files.

`python -m tests.store.cutting DATA SCRATCH STRIDE` prints what a start found after each.
"""

import json
import os
import shutil
import sys
from pathlib import Path

from haunt.bootstrap import keeping
from haunt.bootstrap.mending import make_ready
from haunt.config import Config
from tests.store.nights import config_of, state_of

WATCHED = {"os.rename", "os.remove", "os.rmdir", "os.mkdir", "shutil.move", "shutil.copyfile"}
CUTS_MAX = 200


def main(data: Path, scratch: Path, stride: int) -> None:
    ends = []
    for limit in range(0, CUTS_MAX, stride):
        config = config_of(scratch / f"cut-{limit}")
        shutil.copytree(data, config.data)
        child = os.fork()
        if child == 0:
            _restore(config, limit)
        _pid, status = os.waitpid(child, 0)
        done = os.waitstatus_to_exitcode(status) == 0
        ends.append(_found(config, done=done))
        if done:
            break
    json.dump(ends, sys.stdout)


def _restore(config: Config, limit: int) -> None:
    """In the child: end as if by a kill before the file operation of this number."""
    left = limit

    def watch(event: str, words: tuple[object, ...]) -> None:
        nonlocal left
        is_opened = event == "open" and str(words[0]).startswith(str(config.data))
        if event in WATCHED or is_opened:
            left -= 1
            if left < 0:
                os._exit(9)

    sys.addaudithook(watch)
    keeping.restore_now(config, keeping.chosen(config, "latest"))
    os._exit(0)


def _found(config: Config, *, done: bool) -> dict[str, object]:
    make_ready(config, lambda _line: None)
    state, number = state_of(config)
    assert state is not None
    return {
        "done": done,
        "number": number,
        "held": bool(state["props"]["keeper"]["held_by"]),
        "stopped": state["night"]["stopped"],
        "left": sorted(each.name for each in config.data.iterdir()),
    }


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
