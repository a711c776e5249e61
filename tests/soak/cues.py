"""Cues by the ten thousand at the real firmware, with every fault that could make one play wrongly.

The judge is a model of its own that knows the true time, which the board does not: a cue plays if
it is fresh, of the newest epoch, new, not kept by the broker, and the board has a beat of this
connection; else it must not. A beat comes late by some ms, so a board may take a cue for younger
than it is by as much, and by no more: within that margin the model lets it do either.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from haunt.bootstrap.firmware import make_brain
from haunt.study.chance import Chance
from tests.soak.outcome import Outcome

ROOT, BOARD, PLAY_MS, MAX_MS = "haunt/yard", "gate", 400, 900
TTL_MS, SILENCE_MS = 1500, 6000
REMEMBERED = 50
CONFIG: dict[str, Any] = {
    "id": BOARD,
    "host": "127.0.0.1",
    "root": ROOT,
    "pins": "script",
    "spread_ms": 0,
    "sensors": {},
    "props": {"keeper": {"behaviours": {"growl": {"duration_ms": PLAY_MS}}}},
}


@dataclass
class Truth:
    """What a board of this boot was told, by whoever sees both ends."""

    played: list[str] = field(default_factory=list)
    epoch: int = 0
    is_stopped: bool = False
    clock: str = ""
    least_delay_ms: int | None = None
    beat_at_ms: int | None = None
    is_beaten_here: bool = False
    busy_until_ms: int = -1

    def why_not(self, cue: dict[str, Any], at_ms: int, *, retain: bool) -> str:
        """Return the first reason against, `either` within the margin, or nothing."""
        age_ms, most_ms = at_ms - cue["sent_ms"], TTL_MS + (self.least_delay_ms or 0)
        against = (
            ("retained", retain),
            ("repeat", cue["cue"] in self.played),
            ("old-epoch", cue["epoch"] < self.epoch),
            ("no-beat", not self.is_beaten_here or self._is_silent(at_ms)),
            ("late", age_ms > most_ms),
            ("stopped", self.is_stopped),
            ("busy", at_ms < self.busy_until_ms),
            ("either", age_ms > TTL_MS),
        )
        return next((why for why, is_so in against if is_so), "")

    def _is_silent(self, at_ms: int) -> bool:
        return self.beat_at_ms is None or at_ms - self.beat_at_ms >= SILENCE_MS


class Range:
    """One board, a controller that restarts, and the air between them, on a virtual clock.

    The controller's steady clock is the true time; the board's own begins at its boot.
    """

    def __init__(self, seed: int, outcome: Outcome) -> None:
        self._chance, self._outcome = Chance(seed, "range"), outcome
        self.ms, self._number, self._epoch, self._clocks = 100_000, 0, 1, 1
        self._sent: list[dict[str, Any]] = []
        self._boot()

    def step(self) -> None:
        self.ms += self._chance.below(700)
        self._tell(("tick",))
        drawn = self._chance.below(100)
        if drawn < 55:
            self._cue()
        elif drawn < 85:
            self._beat()
        elif drawn < 89:
            self._stop()
        elif drawn < 93:
            self._lose_link()
        elif drawn < 96:
            self._controller_restarts()
        elif drawn < 98:
            self.ms += 2000 * self._chance.below(6)  # nothing is heard for a while
        else:
            self._boot()

    # --- what happens

    def _boot(self) -> None:
        self._zero_ms = self.ms - self._chance.below(50)
        self._brain = make_brain(CONFIG, self._chance.hex(12), "power-on", self.ms - self._zero_ms)
        self._truth = Truth()
        self._connect()
        self._outcome.injected["boots"] += 1

    def _connect(self) -> None:
        self._tell(("connecting",))
        self._tell(("connected",))
        self._truth.is_beaten_here = False

    def _lose_link(self) -> None:
        self._tell(("lost",))
        self.ms += self._chance.below(3000)
        self._tell(("tick",))
        self._connect()
        self._outcome.injected["connections lost"] += 1

    def _controller_restarts(self) -> None:
        self._epoch += 1
        self._clocks += 1
        self._outcome.injected["controller starts"] += 1

    def _beat(self) -> None:
        delay_ms, truth = self._chance.below(120), self._truth
        if self._chance.happens(0.05):
            delay_ms += 1000
        clock = f"c{self._clocks}"
        self._hear(
            "all/beat",
            clock=clock,
            now_ms=self.ms - delay_ms,
            wall_ms=self.ms,
            epoch=self._epoch,
        )
        if clock != truth.clock or truth.least_delay_ms is None:
            truth.clock, truth.least_delay_ms = clock, delay_ms
        truth.least_delay_ms = min(truth.least_delay_ms, delay_ms)
        truth.beat_at_ms, truth.is_beaten_here = self.ms, True
        truth.epoch = max(truth.epoch, self._epoch)

    def _stop(self) -> None:
        """Or a release, or an old release that comes late and must release nothing."""
        truth, kind = self._truth, self._chance.below(3)
        epoch = self._epoch = self._epoch + 1
        if kind == 2:
            epoch -= 1 + self._chance.below(3)
        self._hear("all/stop", stopped=kind == 0, epoch=epoch, at_ms=self.ms)
        if kind == 0:
            truth.is_stopped, truth.busy_until_ms = True, -1
        elif epoch >= truth.epoch:
            truth.is_stopped = False
        truth.epoch = max(truth.epoch, epoch)
        self._outcome.injected[("stops", "releases", "releases that come late")[kind]] += 1

    def _cue(self) -> None:
        cue, retain, kind = self._drawn_cue()
        why = self._truth.why_not(cue, self.ms, retain=retain)
        plays = self._hear(f"{BOARD}/cue", retain=retain, **cue)
        self._outcome.injected[f"cues: {kind}"] += 1
        self._outcome.noted["cues sent"] += 1
        self._outcome.noted[f"judged: {why or 'plays'}"] += 1
        good = plays is (not why) or why == "either"
        self._outcome.expect(
            good, f"at {self.ms} {'played' if plays else 'refused'}, {why or 'plays'}: {cue}"
        )
        if plays:
            self._truth.played = [*self._truth.played, cue["cue"]][-64:]
            self._truth.busy_until_ms = self.ms + PLAY_MS

    def _drawn_cue(self) -> tuple[dict[str, Any], bool, str]:
        drawn = self._chance.below(10)
        if drawn == 0 and self._sent:
            again = dict(self._sent[self._chance.below(len(self._sent))])
            if self._chance.happens(0.7):  # a controller that restarted dates it anew
                again.update(epoch=self._epoch, sent_ms=self.ms)
            return again, False, "said again"
        self._number += 1
        cue = {
            "cue": f"{BOARD}-{self._number}",
            "epoch": self._epoch,
            "prop": "keeper",
            "behaviour": "growl",
            "max_ms": MAX_MS,
            "ttl_ms": TTL_MS,
            "sent_ms": self.ms - self._chance.below(30),
        }
        kind = "fresh"
        if drawn == 1:
            kind, cue["sent_ms"] = "waited", self.ms - self._chance.below(2 * TTL_MS + 500)
        elif drawn == 2:
            kind, cue["epoch"] = "of an epoch before", max(0, self._epoch - 1)
        elif drawn == 3:
            return cue, True, "kept by the broker"
        self._sent = [*self._sent, cue][-REMEMBERED:]
        return cue, False, kind

    # --- the board

    def _hear(self, leaf: str, *, retain: bool = False, **payload: Any) -> bool:
        return self._tell(("message", f"{ROOT}/{leaf}", json.dumps(payload).encode(), retain))

    def _tell(self, event: tuple[Any, ...]) -> bool:
        """Return whether something went on."""
        waiting, is_on = [event], False
        while waiting:
            for action in self._brain.step(self.ms - self._zero_ms, waiting.pop(0)):
                is_on = is_on or (action[0] == "output" and bool(action[3]))
                if action[0] == "publish" and action[5]:
                    waiting.append(("acked", action[5]))
        return is_on


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Send `count` cues; nearly as many other things happen in between."""
    outcome = Outcome()
    target = Range(seed, outcome)
    while outcome.noted["cues sent"] < count:
        target.step()
    plays = outcome.noted["judged: plays"]
    outcome.expect(plays > count // 10, f"only {plays} of {count} could play: nothing was tried")
    return outcome
