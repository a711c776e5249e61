"""A whole board on a virtual clock, cut off at random moments, with each level of its pins watched.

`python -m tests.firmware.cuts [COUNT] [SEED]` cuts so many times: the link, the beat, the power,
the program, by the stop of the show or the board's own button; it exits 1 with the first moment at
which a pin was not as it should be. It runs on MicroPython as well, as a file.
"""

import json
import sys

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from typing import TypeAlias

    Levels: TypeAlias = dict[int, int]

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
FIRMWARE = HERE + "/../../firmware_stub"
FULL = 65535
BEAT_MS = 2000
SILENCE_MS = 6000
SAFE_MS = 10000
OFFSET_MS = 500000
ROOT = "haunt/yard"
CONFIG = """{"id": "gate", "host": "10.0.0.2", "root": "haunt/yard", "spread_ms": 5000, "sensors": {
"pir": {"pin": 1, "props": ["keeper", "ghost"]}, "halt": {"pin": 2, "action": "stop"}}, "props": {
"keeper": {"outputs": {
 "eyes": {"kind": "dimmer", "pin": 10, "stop": "off"}, "jaw": {"pin": 11, "stop": "hold"},
 "arm": {"kind": "servo", "pin": 12, "stop": "home", "home": 250},
 "head": {"kind": "motor", "pins": [13, 14], "stop": "off", "soft_ms": 100},
 "bolt": {"kind": "solenoid", "pin": 15, "stop": "off", "on_ms_max": 500},
 "path": {"pin": 16, "stop": "on", "load": "light"},
 "fan": {"kind": "relay", "pin": 17, "active": 0, "stop": "off", "min_off_ms": 300}},
 "behaviours": {"growl": {"duration_ms": 2500,
  "steps": [[0, "jaw", 1], [200, "path", 0], [1200, "jaw", 0]], "tracks": [
  {"output": "eyes", "do": "flicker", "low": 200, "high": 1000},
  {"output": "arm", "do": "sweep", "left": 0, "right": 1000, "sweep_ms": 400},
  {"output": "head", "do": "run", "level": -800, "from_ms": 100, "to_ms": 2000},
  {"output": "bolt", "do": "pulse", "on_ms": 100, "off_ms": 300},
  {"output": "fan", "do": "steady", "level": 1, "to_ms": 1800}]}}},
"ghost": {"outputs": {
 "glow": {"kind": "pixels", "pin": 18, "count": 8, "stop": "off"},
 "lid": {"kind": "servo", "pin": 19, "stop": "hold"}},
 "behaviours": {"moan": {"duration_ms": 1800, "tracks": [
  {"output": "glow", "do": "blink", "level": 900, "on_ms": [80, 300], "off_ms": [80, 300]},
  {"output": "lid", "do": "steady", "level": 700}]},
  "shine": {"duration_ms": 1500, "tracks": [
  {"output": "glow", "do": "steady", "level": 800}]}}}}}"""
SETTINGS = """{"version": 1, "mode": "alone", "hours": [["00:00", "00:00"]], "props": {
"keeper": {"behaviour": "growl", "cooldown_ms": 0},
"ghost": {"behaviour": "shine", "cooldown_ms": 0}}}"""
PLAYS = (("keeper", "growl", 2500), ("ghost", "moan", 1800), ("ghost", "shine", 1500))
REST = {10: 0, 11: 0, 12: 0, 13: 0, 14: 0, 15: 0, 16: FULL, 17: FULL, 18: 0, 19: 0}
HELD = (11, 19)
ARM_HOME = 4095  # 1250 us of 20 ms
GENTLE = (18,)
RESETS = ("power-on", "brown-out", "watchdog", "unknown")


class UnsafeError(Exception):
    """A pin was not as it should be."""


class Link:
    """A connection in memory with a broker at its end: it signs in, subscribes, acknowledges."""

    def __init__(self) -> None:
        self.is_mute = False
        self.is_cut = False
        self.is_away = False
        self._open = False
        self.arrived = b""

    def open(self, host: str, port: int) -> None:
        if self.is_away:
            raise OSError(113, f"{host}:{port}")
        self._open, self.is_cut, self.arrived = True, False, b""

    def is_open(self) -> bool:
        return self._open

    def is_ready(self) -> bool:
        return True

    def write(self, packet: bytes) -> None:
        if self.is_mute:
            return
        kind = packet[0] >> 4
        if kind == 1:
            self.arrived += b"\x20\x02\x00\x00"
        elif kind == 8:
            self.arrived += b"\x90\x06" + packet[2:4] + b"\x01\x00\x01\x01"
        elif kind == 12:
            self.arrived += b"\xd0\x00"
        elif kind == 3 and packet[0] & 6:
            start = 2 if packet[1] < 128 else 3
            at = start + 2 + (packet[start] << 8 | packet[start + 1])
            self.arrived += b"\x40\x02" + packet[at : at + 2]

    def flush(self) -> None:
        pass

    def read(self) -> bytes:
        if self.is_cut:
            raise OSError(104)
        data, self.arrived = self.arrived, b""
        return data

    def close(self) -> None:
        self._open = False


class Radio:
    def is_ready(self, ms: int) -> bool:
        return ms >= 0

    def rssi(self) -> int:
        return -60


class Yard:
    """One board and its controller; `tally` counts the cuts of each kind."""

    def __init__(self, seed: int) -> None:
        sys.path.insert(0, FIRMWARE)
        sys.path.insert(0, HERE)
        pinlog = __import__("pinlog")
        self.ms = 0
        self.bench = pinlog.Bench(lambda: self.ms)
        pinlog.install(self.bench)
        names = ("config", "packets", "pins", "loop", "chance")
        self._modules = {name: __import__(name) for name in names}
        self.chance = self._modules["chance"].Chance(seed)
        self._config = self._modules["config"].parse(CONFIG)
        self.link = Link()
        self.epoch, self._cues, self._boots = 1, 0, 0
        self.beat_ms = -SILENCE_MS
        self.ends_ms = 0
        self.jaw = 0
        self.tally: dict[str, int] = {}
        self._boot("power-on")

    # --- the world

    def _boot(self, reset: str) -> None:
        """What boot.py and main.py do, in their order."""
        self._boots += 1
        self.bench.power_cut()
        del self._modules["pins"]._made[:]
        pins = self._modules["pins"].machine_pins(self._config)
        self._expect_rest("before main", REST)
        board = self._modules["loop"].Board
        self.board = board(self._config, pins, self.link, Radio(), self._entropy, self.ms, reset)
        self._expect_rest("at boot", REST)

    def _entropy(self, size: int) -> bytes:
        number: int = self._boots * 7919 + self.chance.below(1 << 24)
        return number.to_bytes(size, "big")

    def poll(self, after_ms: int = 10) -> None:
        self.ms += after_ms
        self.board.poll(self.ms)

    def wander(self, for_ms: int) -> None:
        """Polls at random times over so long, the last at its end."""
        ends_ms = self.ms + for_ms
        for _ in range(self.chance.below(4)):
            self.poll(self.chance.below(max(1, ends_ms - self.ms)))
        self.poll(ends_ms - self.ms)

    def say(self, leaf: str, payload: str, qos: int = 1, retain: bool = False) -> None:
        packet = self._modules["packets"].publish(
            ROOT + "/" + leaf, bytes(payload, "utf-8"), qos, retain, 9 if qos else 0
        )
        self.link.arrived += packet

    def beat(self) -> None:
        said = {"clock": "a1", "now_ms": self.ms + OFFSET_MS, "wall_ms": 0, "epoch": self.epoch}
        self.say("all/beat", json.dumps(said), 0)
        self.poll()
        self.beat_ms = self.ms

    def cue(self, prop: str, behaviour: str, max_ms: int) -> bool:
        """Whether it plays after the next look."""
        self._cues += 1
        said = {"cue": f"c-{self._cues}", "epoch": self.epoch, "prop": prop, "max_ms": max_ms}
        said.update(behaviour=behaviour, ttl_ms=1500, sent_ms=self.ms + OFFSET_MS)
        self.say("gate/cue", json.dumps(said))
        self.poll()
        return prop in self.board._brain._playing

    def stop(self, is_stopped: bool) -> None:
        self.epoch += 1
        said = {"stopped": is_stopped, "epoch": self.epoch, "at_ms": 0}
        self.say("all/stop", json.dumps(said))
        self.poll()

    # --- one cut

    def cut(self) -> None:
        self._ready()
        prop, behaviour, lasts_ms = PLAYS[self.chance.below(len(PLAYS))]
        max_ms = 1 + self.chance.below(5000)
        # What an earlier stop held stays until its own prop has played again.
        self.jaw = 0 if prop == "keeper" else self.bench.levels[11]
        if not self.cue(prop, behaviour, max_ms):
            raise UnsafeError("a sound cue did not play")
        self.ends_ms = self.ms + min(lasts_ms, max_ms)
        self.wander(self.chance.below(min(lasts_ms, max_ms) + 200))
        name = CUTS[self.chance.below(len(CUTS))]
        self.tally[name] = self.tally.get(name, 0) + 1
        getattr(self, "_" + name)()

    def _ready(self) -> None:
        """Connected, released, in time, and nothing plays."""
        self.link.is_away = self.link.is_mute = False
        for _ in range(40):
            if self.board._brain._is_connected:
                break
            self.poll(500)
        else:
            raise UnsafeError("the board does not come back")
        self.beat()
        self.stop(False)
        if self.board._brain.stopped or self.board._brain._playing:
            raise UnsafeError(f"it is not released: {self.board._brain._playing}")
        self.beat()

    def _link(self) -> None:
        """The socket breaks and no broker answers: what plays ends, and after 6 s all is still."""
        self.link.is_cut = self.link.is_away = True
        if self.ms < self.ends_ms:
            self.wander(self.ends_ms - self.ms)
        self._expect_rest("a play outlasts its end without a link", self._resting())
        self._expect_nothing_more(self.beat_ms + SAFE_MS - self.ms)
        if not self.board._brain._is_still:
            raise UnsafeError("not latched after the beat is lost")

    def _silence(self) -> None:
        """The broker stays and the controller is gone: still after 6 s, and no cue plays then."""
        held: Levels | None = self._held()
        if self.ms < self.beat_ms + SILENCE_MS:
            self.wander(self.beat_ms + SILENCE_MS - self.ms)
        if self.ms >= self.ends_ms:
            held = None
        self._expect_rest("without a beat", self._resting(held))
        if self.cue("keeper", "growl", 3000):
            raise UnsafeError("a cue played without a beat")
        self._expect_nothing_more(self.chance.below(4000))

    def _mute(self) -> None:
        """Half open: nothing comes, nothing breaks."""
        self.link.is_mute = True
        self.wander(max(0, self.ends_ms - self.ms))
        self._expect_rest("a play outlasts its end on a dead link", self._resting())
        self._expect_nothing_more(self.beat_ms + SAFE_MS - self.ms)
        for _ in range(3):  # until it has noticed by its own pings
            self.poll(5000)
        if self.board._brain._is_connected:
            raise UnsafeError("it does not notice a dead link")

    def _power(self) -> None:
        """Every pin's first level is its rest, and nothing moves until a new cue."""
        self.link.close()
        self.ms += self.chance.below(3000)
        self._boot(RESETS[self.chance.below(len(RESETS))])
        self.wander(self.chance.below(5000))
        self._expect_quiet_log()
        if self.board._brain._is_connected and self.cue("keeper", "growl", 3000):
            raise UnsafeError("a cue played before a beat of this boot")
        self._expect_quiet_log()

    def _crash(self) -> None:
        """Our own fault, then the restart that follows it."""
        held = self._held() if self.board._brain._playing else None
        self.board.close(self.ms)
        self._expect_rest("after a fault", self._resting(held))
        self._power()

    def _show(self) -> None:
        """Stop show: all in its stop state at that very look, and no cue plays after."""
        held: Levels | None = self._held()
        self.stop(True)
        if self.ms >= self.ends_ms:
            held = None
        self._expect_rest("at stop", self._resting(held))
        if self.cue("ghost", "moan", 3000):
            raise UnsafeError("a cue played after stop")
        self._expect_nothing_more(self.chance.below(4000))

    def _button(self) -> None:
        held: Levels | None = self._held()
        self.bench.inputs[2] = 1
        self.poll()
        self.poll()
        if self.ms >= self.ends_ms:
            held = None
        elif self.board._brain._playing:
            raise UnsafeError("its own button did not stop it")
        self._expect_rest("at its own button", self._resting(held, may_differ=HELD))
        self.bench.inputs[2] = 0
        self._expect_nothing_more(self.chance.below(4000))

    def _alone(self) -> None:
        """Its settings allow it: what is gentle may play, what moves may not, a beat ends it."""
        self.say("gate/settings", SETTINGS)
        self.wander(max(0, self.beat_ms + SILENCE_MS - self.ms))
        start = len(self.bench.log)
        self.bench.inputs[1] = 1
        self.poll()
        self.poll()
        self.bench.inputs[1] = 0
        if self.bench.levels[18] == 0:
            raise UnsafeError("it did not play alone")
        self.wander(self.chance.below(2000))
        for _, pin, level in self.bench.log[start:]:
            if pin not in GENTLE and level != REST[pin] and pin not in (11, 12, 19):
                raise UnsafeError(f"pin {pin} at {level} while alone")
        if "keeper" in self.board._brain._playing:
            raise UnsafeError("what moves played alone")
        self.beat()
        if self.bench.levels[18] != 0:
            raise UnsafeError("it plays on after the controller is back")
        self.say("gate/settings", '{"version":2,"mode":"still"}')
        self.poll()

    # --- what must hold

    def _held(self) -> "Levels":
        return {pin: self.bench.levels[pin] for pin in HELD}

    def _resting(
        self, held: "Levels | None" = None, may_differ: "tuple[int, ...]" = (19,)
    ) -> "Levels":
        """The rest of all, with what holds as it was; a servo that was driven is home."""
        expected = dict(REST)
        expected[11] = self.jaw if held is None else held[11]
        for pin in may_differ:
            expected[pin] = self.bench.levels[pin]
        if self.bench.levels[12]:
            expected[12] = ARM_HOME
        return expected

    def _expect_rest(self, when: str, expected: "Levels") -> None:
        if self.bench.levels != expected:
            wrong = [pin for pin in expected if self.bench.levels.get(pin) != expected[pin]]
            shown = [self.bench.levels.get(pin) for pin in wrong]
            raise UnsafeError(f"{when} at {self.ms}: pins {wrong} at {shown}")

    def _expect_nothing_more(self, for_ms: int) -> None:
        before, start = dict(self.bench.levels), len(self.bench.log)
        self.wander(max(0, for_ms))
        for _, pin, level in self.bench.log[start:]:
            if level != before[pin]:
                raise UnsafeError(f"pin {pin} moved to {level} afterwards")

    def _expect_quiet_log(self) -> None:
        for at_ms, pin, level in self.bench.log:
            if level != REST[pin]:
                raise UnsafeError(f"pin {pin} at {level}, {at_ms} ms, before any cue")


CUTS = ("link", "silence", "mute", "power", "crash", "show", "button", "alone")


def main(count: int, seed: int) -> int:
    number = 0
    try:
        yard = Yard(seed)
        while number < count:
            number += 1
            del yard.bench.log[:]
            yard.cut()
    except UnsafeError as unsafe:
        print("cut", number, "seed", seed, unsafe)
        return 1
    kinds = sorted(yard.tally)
    print("cuts", count, " ".join(f"{kind} {yard.tally[kind]}" for kind in kinds))
    return 0


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(int(words[0]) if words else 1000, int(words[1]) if len(words) > 1 else 1))
