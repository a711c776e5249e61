"""Wrong passwords and stolen client ids by the thousand: the board in question notices nothing.

Its cues all come, once each and in order, on the one connection that it has had all the time.
"""

from pathlib import Path

from tests.mqtt import attacks, raw
from tests.mqtt.raw import Message, RawClient, Will, connect, publish
from tests.mqtt.stage import TOPICS, Garden
from tests.soak.outcome import Outcome

HEARD_EVERY = 50


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Let `count` of each kind knock."""
    del seed  # nothing is drawn
    outcome, garden = Outcome(), Garden(folder)
    try:
        garden.admit("b1", "b2")
        garden.start()
        with attacks.let_in_a_spy(garden) as spy:
            knock(garden, spy, 2 * count, outcome)
    finally:
        garden.end()
    return outcome


def knock(garden: Garden, spy: RawClient, count: int, outcome: Outcome) -> None:
    cue, victim = TOPICS.cue("b1").encode(), attacks.signed_in(garden, "b1")
    assert victim is not None
    with victim:
        victim.send(raw.subscribe(cue))
        came = victim.heard()
        for number in range(count):
            _one(garden, cue, number, outcome)
            spy.send(publish(cue, b"%d" % number))
            if number % HEARD_EVERY == HEARD_EVERY - 1:
                spy.heard()
                came += victim.heard()
        spy.heard()
        came += victim.heard()
    _judge(came, count, outcome)


def _one(garden: Garden, cue: bytes, number: int, outcome: Outcome) -> None:
    """With b1's client id: under a guess, or under b2's own good credential."""
    owns = number % 2 == 1
    name, guess = (b"b2", garden.passwords["b2"].encode()) if owns else (b"b1", b"%d" % number)
    with RawClient(garden.kept.port) as impostor:
        words = connect(name, guess, b"b1", will=Will(cue), clean=number % 3 > 0)
        code = impostor.sign_in(words)
        outcome.expect(code == (0 if owns else 5), f"impostor {number} was told {code}")
        outcome.injected["stolen client id" if owns else "wrong password"] += 1


def _judge(came: list[Message], count: int, outcome: Outcome) -> None:
    payloads = [each.payload for each in came]
    outcome.noted["cues that the board heard"] = len(payloads)
    outcome.expect(
        payloads == [b"%d" % number for number in range(count)],
        f"the board heard {len(payloads)} of {count} cues",
    )
