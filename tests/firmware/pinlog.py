"""A machine without a machine: every level that a pin shows, and when; runs on MicroPython as well.

`install(bench)` puts stand-ins for machine and neopixel in place of the real ones. A pin's level is
0 to 65535 however it is driven, so that one reader does for all.
"""

import sys

if sys.implementation.name == "cpython":  # MicroPython has no typing and reads no annotation
    from collections.abc import Callable
    from typing import Any

FULL = 65535


class Bench:
    """What hangs on the pins: `log` of (ms, pin, level), `inputs` and `volts` (raw) by pin."""

    def __init__(self, now: "Callable[[], int]") -> None:
        self.now = now
        self.log: list[tuple[int, int, int]] = []
        self.levels: dict[int, int] = {}
        self.inputs: dict[int, int] = {}
        self.volts: dict[int, int] = {}
        self.played: list[bytes] = []
        self.sounds: list[Any] = []
        self.fed = 0
        self.slept_ms = 0
        self.cause = 1
        self.resets = 0

    def show(self, pin: int, level: int) -> None:
        self.levels[pin] = level
        self.log.append((self.now(), pin, level))

    def reset(self) -> None:
        self.resets += 1

    def sleep(self, ms: int) -> None:
        self.slept_ms += ms

    def power_cut(self) -> None:
        """Pins float, which external resistors pull low; what follows begins with nothing."""
        self.levels.clear()
        self.log.clear()


class Module:
    """MicroPython makes no modules by hand; anything with names will do."""


def install(bench: Bench) -> "Any":  # noqa: C901 - one small stand-in after another
    class Pin:
        IN, OUT, PULL_UP, PULL_DOWN = 0, 1, 2, 3

        def __init__(
            self, number: int, mode: int = -1, pull: "int | None" = None, value: "int | None" = None
        ) -> None:
            assert pull in {None, Pin.PULL_UP, Pin.PULL_DOWN}
            self.number = number
            if mode == Pin.OUT and value is None:
                raise AssertionError("an output that is made without a level shows any")
            if mode == Pin.OUT:
                bench.show(number, FULL if value else 0)

        def value(self, level: "int | None" = None) -> int:
            if level is not None:
                bench.show(self.number, FULL if level else 0)
                return level
            return bench.inputs.get(self.number, 0)

    class PWM:
        def __init__(self, pin: Pin, freq: int = 1000, duty_u16: int = 0) -> None:
            assert pin.number in bench.levels, "a timer on a pin that has no level yet"
            self.number, self.freq = pin.number, freq
            bench.show(self.number, duty_u16)

        def duty_u16(self, duty: int) -> None:
            assert 0 <= duty <= FULL
            bench.show(self.number, duty)

    class ADC:
        def __init__(self, pin: Pin) -> None:
            self.number = pin.number

        def read_u16(self) -> int:
            return bench.volts.get(self.number, 0)

    class I2S:
        TX, MONO, STEREO = 1, 0, 1

        def __init__(self, number: int, **how: "Any") -> None:
            self.how, self.callback, self.is_open = how, None, number >= 0
            bench.sounds.append(self)

        def irq(self, callback: "Any") -> None:
            self.callback = callback

        def write(self, piece: "Any") -> int:
            assert self.is_open
            bench.played.append(bytes(piece))
            return len(piece)

        def deinit(self) -> None:
            self.is_open = False

    class WDT:
        def __init__(self, timeout: int) -> None:
            self.timeout = timeout

        def feed(self) -> None:
            bench.fed += 1

    class NeoPixel:
        def __init__(self, pin: Pin, count: int) -> None:
            self.number, self.count, self.level = pin.number, count, 0

        def fill(self, colour: "tuple[int, int, int]") -> None:
            self.level = max(colour) * 257

        def write(self) -> None:
            bench.show(self.number, self.level)

    machine: Any = Module()
    for kind in (Pin, PWM, ADC, I2S, WDT):
        setattr(machine, kind.__name__, kind)
    causes = ("PWRON_RESET", "HARD_RESET", "WDT_RESET", "DEEPSLEEP_RESET", "SOFT_RESET")
    for number, name in enumerate(causes):  # as the ESP32 port numbers them
        setattr(machine, name, number + 1)
    machine.reset_cause = lambda: bench.cause
    machine.reset = bench.reset
    machine.lightsleep = bench.sleep
    neopixel: Any = Module()
    neopixel.NeoPixel = NeoPixel
    modules: Any = sys.modules
    modules["machine"] = machine
    modules["neopixel"] = neopixel
    return machine
