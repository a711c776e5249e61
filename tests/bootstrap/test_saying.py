"""Goal: words that find no room on a full disk end nothing.

Method: a process whose standard error is /dev/full, which refuses every byte as a full disk does.
"""

import subprocess
import sys
from pathlib import Path

SAYS = "from haunt.cli.words import say; say('a'); say('b'); print('went on', flush=True)"


def test_a_start_goes_on_when_its_words_find_no_room() -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", SAYS],
            stdout=subprocess.PIPE,
            stderr=full,
            text=True,
            check=False,
        )

    assert done.stdout == "went on\n"
