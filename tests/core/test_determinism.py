"""Goal: a night replays to the same effects in another process, whatever Python's hashes are there.

Method: twenty fixed random nights, snapshots among them, are played in two processes that differ in
PYTHONHASHSEED alone; a digest over every effect and the last snapshot must agree. The dice are held
to words written down once, so that a later version draws the same.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from haunt.core.dice import draw

ROOT = Path(__file__).parents[2]
PROGRAM = """
import json
from hashlib import sha256
from tests.core.random_nights import Player, night_of
from tests.core.random_shows import show_of

print(hash("a set's order hangs on this"))
digest, count = sha256(), 0
for seed in range(20):
    player = Player(show_of(seed), show_of(seed + 100)).play(night_of(seed, 250))
    count += len(player.effects)
    for effect in player.effects:
        digest.update(repr(effect).encode())
    digest.update(json.dumps(player.arbiter.snapshot()).encode())
print(count)
print(digest.hexdigest())
"""


def played_under(hash_seed: int) -> list[str]:
    """Return Python's own hash of a text, how many effects there were, and the digest."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": str(hash_seed), "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.split()


def test_two_processes_with_other_hashes_play_the_same_nights() -> None:
    first, second = played_under(1), played_under(2)

    assert first[0] != second[0]
    assert int(first[1]) > 1000
    assert first[1:] == second[1:]


@pytest.mark.parametrize(
    ("seed", "name", "word"),
    [
        (1, "", 0xE220A8397B1DCDAF),
        (2, "", 0x6E789E6AA1B965F4),
        (3, "", 0x06C45D188009454F),
        (1, "123456789", 0x45EE618F646846D0),
    ],
)
def test_the_dice_fall_as_ever_so_that_an_old_journal_plays_again_as_it_was(
    seed: int, name: str, word: int
) -> None:
    for sides in (1, 2, 6, 1000, 1 << 64):
        assert draw(seed, name, sides) == word % sides
