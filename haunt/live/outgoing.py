"""What the controller says to boards: cues, the stop, the beat, their settings; and what is unsaid.

It decides nothing. What finds no room in the line is known here until somebody says it again.
"""

from typing import Final

from haunt.core.decisions import SendCue, TellStop
from haunt.core.night import Night
from haunt.live.alone import settings_of
from haunt.live.ports import Outbox
from haunt.wire.payloads import Beat, Cue, Settings, Stop, encode
from haunt.wire.topics import QOS, RETAINED, Kind, Topics

CUE_TTL_MS: Final = 1500


class Outgoing:
    """`stop_told_ms` is when a stop was told that stands; `is_stop_untold`: it found no room."""

    def __init__(self, outbox: Outbox, show: str, clock_id: str) -> None:
        self.topics: Final = Topics(show)
        self.stop_told_ms: int | None = None
        self.is_stop_untold = False
        self._outbox, self._clock_id = outbox, clock_id
        self._settings_told: dict[str, bytes] = {}

    def cue(self, cue: SendCue) -> None:
        """Now or not at all: without an answer it is alerted, never sent again."""
        said = Cue.model_construct(  # our own words need no check, and this is the hot path
            cue=cue.cue,
            epoch=cue.epoch,
            prop=cue.prop,
            behaviour=cue.behaviour,
            max_ms=cue.max_ms,
            ttl_ms=CUE_TTL_MS,
            sent_ms=cue.sent_ms,
            line=cue.line,
        )
        self._say("cue", self.topics.of(cue.board, "cue"), encode(said))

    def stop(self, stop: TellStop) -> None:
        self.stop_told_ms = stop.at_ms if stop.stopped else None
        self.repeat_stop(stop)

    def repeat_stop(self, stop: TellStop) -> None:
        """Say it again; boards have their second to answer from when it was first told."""
        said = Stop(stopped=stop.stopped, epoch=stop.epoch, at_ms=stop.at_ms)
        self.is_stop_untold = not self._say("stop", self.topics.stop, encode(said))

    def beat(self, mono_ms: int, wall_ms: int, epoch: int) -> None:
        wall_ms = max(0, wall_ms)  # a clock may be set to before 1970
        said = Beat(clock=self._clock_id, now_ms=mono_ms, wall_ms=wall_ms, epoch=epoch)
        self._say("beat", self.topics.beat, encode(said))

    def settings(self, night: Night, version: int) -> list[str]:
        """Tell each board what to do alone, where that has changed; return those that were told."""
        still = encode(Settings(version=version, mode="still"))
        found = []
        for name, board in night.boards.items():
            may = any(prop.spec.alone is not None for prop in board.props)
            payload = encode(settings_of(night, board, version)) if may else still
            if self._settings_told.get(name) == payload:
                continue
            if self._say("settings", self.topics.of(name, "settings"), payload):
                self._settings_told[name] = payload
                found.append(name)
        return found

    def forget_settings(self) -> None:
        """A broker that was away may have lost what it kept."""
        self._settings_told.clear()

    def _say(self, kind: Kind, topic: str, payload: bytes) -> bool:
        return self._outbox.publish(topic, payload, qos=QOS[kind], retain=kind in RETAINED)
