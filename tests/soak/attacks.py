"""The table of attacks with drawn topics and filters besides the written ones; and impostors.

The broker that comes along is asked a thousand times as often, without a wire: what it allows must
be allowed by the model too.
"""

import json
from pathlib import Path

from haunt.core.dice import draw
from haunt.mqtt.library import Rights
from haunt.wire.forms import is_board_id
from tests.mqtt import attacks
from tests.mqtt.attacks import (
    WRITES,
    Seen,
    filters_to_try,
    may_read,
    may_write,
    topics_to_try,
)
from tests.mqtt.stage import TOPICS, Garden
from tests.soak import impostors
from tests.soak.outcome import Outcome

LEVELS = (
    *("haunt", "garden", "b1", "b2", "all", "controller", "motion", "presence", "report", "health"),
    *("cue", "settings", "stop", "beat", "", "+", "#", "%u", "%c", "$SYS", "B2", "b2 ", "\u00fc"),
)
LENGTH_MAX = 6
ASKED_EACH = 1000
IDENTITIES = ("b1", "b2", "all", "controller", "b2x", "+", "#", "%u", "")
FILTERS_MAX = 200


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Try `count` drawn topics by every verb, as many filters up to 200, as many impostors."""
    outcome, garden = Outcome(), Garden(folder)
    try:
        garden.admit("b1", "b2")
        garden.start()
        topics = [*topics_to_try(), *(drawn(seed, number) for number in range(count))]
        filters = [*filters_to_try(), *(drawn(seed + 1, n) for n in range(min(count, FILTERS_MAX)))]
        with attacks.let_in_a_spy(garden) as spy:
            for each in attacks.try_writes(garden, spy, WRITES, topics):
                _note(each, outcome)
            for each in attacks.try_reads(garden, spy, filters, topics[: 150 + count // 10]):
                _note(each, outcome)
            impostors.knock(garden, spy, count, outcome)
    finally:
        garden.end()
    _ask_the_library(count * ASKED_EACH, seed, folder, outcome)
    return outcome


def _ask_the_library(count: int, seed: int, folder: Path, outcome: Outcome) -> None:
    names = {"root": TOPICS.root, "controller": "garden-controller"}
    (folder / "library.json").write_text(json.dumps(names))
    rights, allowed = Rights(folder), 0
    for number in range(count):
        topic, who = drawn(seed, number), IDENTITIES[number % len(IDENTITIES)]
        write = number % 2 == 0
        if not rights.may(who, topic.decode(), write=write):
            continue
        allowed += 1
        may = may_write if write else may_read
        model = is_board_id(who) and may(who, topic)  # other names can have no credential
        outcome.expect(model, f"the library lets {who!r} {topic!r}, write {write}")
    outcome.injected["rights asked of the library broker"] += count
    outcome.noted["of them allowed"] += allowed


def drawn(seed: int, number: int) -> bytes:
    """A topic of known words in any order; two of three begin as ours do."""
    name = f"topic {number}"
    parts = ["haunt", "garden"] if draw(seed, f"{name} begin", 3) else []
    length = 1 + draw(seed, f"{name} length", LENGTH_MAX)
    parts += [LEVELS[draw(seed, f"{name} {at}", len(LEVELS))] for at in range(length)]
    return "/".join(parts).encode()


def _note(seen: Seen, outcome: Outcome) -> None:
    outcome.injected[seen.verb.split(" by ")[0]] += 1
    outcome.noted[f"expected {_word(seen.expected)}, seen {_word(seen.seen)}"] += 1
    outcome.expect(seen.good, seen.row())


def _word(delivered: bool) -> str:
    return "delivery" if delivered else "nothing"
