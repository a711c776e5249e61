"""Which pins of a microcontroller do what at switch-on, and which are good for an output.

A pin that is pulled or toggles before the program runs moves what is wired to it.
"""

import re
from dataclasses import dataclass, field
from enum import StrEnum


class Role(StrEnum):
    """What hangs on a pin. `BUS` is neither seen nor felt."""

    MOTION = "motor or valve"
    LIGHT = "light"
    SOUND = "sound"
    INPUT = "input"
    ANALOG = "analog input"
    BUS = "bus"


OUTPUTS = frozenset({Role.MOTION, Role.LIGHT, Role.SOUND})


class Trouble(StrEnum):
    NO_SUCH_PIN = "no-such-pin"
    FLASH = "flash"
    INPUT_ONLY = "input-only"
    MOVES_AT_SWITCH_ON = "moves-at-switch-on"
    STOPS_BOOT = "stops-boot"
    NOT_WITH_WIFI = "not-with-wifi"
    FALSE_INTERRUPTS = "false-interrupts"
    MAYBE_MEMORY = "maybe-memory"
    SERIAL = "serial"


@dataclass(frozen=True, slots=True)
class Chip:
    """`up` and `down` are pulled so at boot, `noisy` toggle then; `straps` are read then.

    `spare` are pins good for outputs, best first. `wifi_ma` is the transmitter's peak.
    """

    name: str
    pins: frozenset[int]
    spare: tuple[int, ...]
    straps: frozenset[int] = frozenset()
    up: frozenset[int] = frozenset()
    down: frozenset[int] = frozenset()
    noisy: frozenset[int] = frozenset()
    flash: frozenset[int] = frozenset()
    memory: frozenset[int] = frozenset()
    input_only: frozenset[int] = frozenset()
    adc: frozenset[int] = frozenset()
    adc_without_wifi: frozenset[int] = frozenset()
    false_interrupts: frozenset[int] = frozenset()
    serial: frozenset[int] = frozenset()
    wifi_ma: float | None = None
    words: dict[int, str] = field(default_factory=dict)


def _pins(*spans: int | tuple[int, int]) -> frozenset[int]:
    found: set[int] = set()
    for each in spans:
        found |= {each} if isinstance(each, int) else set(range(each[0], each[1] + 1))
    return frozenset(found)


# ESP32: data sheet table of strapping pins (ESP32-D0WD-V3), and the GPIO table of the maker's
# programming guide (flash 6-11, memory 16-17, ADC2, input only 34-39, JTAG 12-15, erratum of
# 36 and 39). 14 lights a lamp at boot: a thread on an electronics question site. Transmitter peak
# 368 mA: ESP32-PICO-ZERO manual table 6. Serial pins 1 and 3.
_ESP32 = Chip(
    "ESP32",
    _pins((0, 19), (21, 23), (25, 27), (32, 39)),
    (25, 26, 27, 32, 33, 18, 19, 21, 22, 23, 13, 4),
    straps=_pins(0, 2, 5, 12, 15),
    up=_pins(0, 5, 14, 15),
    down=_pins(2, 12),
    noisy=_pins(1),
    flash=_pins((6, 11)),
    memory=_pins(16, 17),
    input_only=_pins((34, 39)),
    adc=_pins((32, 39)),
    adc_without_wifi=_pins(0, 2, 4, (12, 15), (25, 27)),
    false_interrupts=_pins(36, 39),
    serial=_pins(1, 3),
    wifi_ma=370.0,
    words={
        0: "low at switch-on, it waits for a new program",
        12: "high at switch-on, it picks 1.8 V for the flash and does not start",
        2: "high at switch-on, no new program can be loaded",
    },
)
# ESP32-S3: programming guide (straps 0, 3, 45, 46; memory 26-32, 33-37 with octal memory; USB
# 19, 20; ADC1 1-10, ADC2 11-20). 45 and 46 pulled down: a chip guide; 0 up, 3 floating, serial 43
# and 44 and the peak from memory.
_ESP32_S3 = Chip(
    "ESP32-S3",
    _pins((0, 21), (26, 48)),
    (4, 5, 6, 7, 15, 16, 17, 18, 8, 9, 10, 11, 12, 13, 14, 21, 1, 2),
    straps=_pins(0, 3, 45, 46),
    up=_pins(0),
    down=_pins(45, 46),
    noisy=_pins(19, 20, 43),
    flash=_pins((26, 32)),
    memory=_pins((33, 37)),
    adc=_pins((1, 10)),
    adc_without_wifi=_pins((11, 20)),
    serial=_pins(43, 44),
    wifi_ma=370.0,
    words={
        0: "low at switch-on, it waits for a new program",
        45: "it picks the flash's voltage",
    },
)
# ESP32-C3: the maker's book, table 5.5 (2 and 8 not pulled, 9 up); 500 mA supply, ibid. 5.2.1.
# Flash 12-17, USB 18 and 19, serial 20 and 21, ADC2 on 5 and the peak from memory.
_ESP32_C3 = Chip(
    "ESP32-C3",
    _pins((0, 21)),
    (4, 5, 6, 7, 10, 3, 1, 0),
    straps=_pins(2, 8, 9),
    up=_pins(9),
    noisy=_pins(18, 19, 21),
    flash=_pins((12, 17)),
    adc=_pins((0, 4)),
    adc_without_wifi=_pins(5),
    serial=_pins(20, 21),
    wifi_ma=370.0,
    words={9: "low at switch-on, it waits for a new program", 2: "low at switch-on, no start"},
)
# RP2040 on the usual carrier with radio: from memory. Every pin is pulled down weakly at reset.
_RP2040 = Chip(
    "RP2040",
    _pins((0, 29)),
    (2, 3, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22),
    noisy=_pins(23, 24, 25, 29),
    adc=_pins((26, 29)),
    serial=_pins(0, 1),
    words=dict.fromkeys((23, 24, 25, 29), "the carrier's radio or power control"),
)

_BY_NAME = (
    (re.compile(r"esp32[-_ ]?s3"), _ESP32_S3),
    (re.compile(r"esp32[-_ ]?c3"), _ESP32_C3),
    (re.compile(r"esp32(?![-_ ]?[a-z]+\d)"), _ESP32),
    (re.compile(r"rp2040|pico(?![-_ ]?2)"), _RP2040),
)
CHIPS = (_ESP32, _ESP32_S3, _ESP32_C3, _RP2040)
_PIN = re.compile(r"(?:gpio|gp|io|pin)?[-_ ]?(\d{1,2})", re.IGNORECASE)


def chip_of(model: str) -> Chip | None:
    """Return the chip by a board's model in any usual spelling; None for one not known here."""
    word = model.strip().lower()
    return next((chip for pattern, chip in _BY_NAME if pattern.search(word)), None)


def pin_number(pin: int | str) -> int | None:
    """Return the number that a spelling such as 16, "GP16" or "io16" means."""
    if isinstance(pin, int):
        return pin
    found = _PIN.fullmatch(pin.strip())
    return int(found.group(1)) if found else None


def troubles(chip: Chip, pin: int, role: Role) -> list[Trouble]:
    """Return what stands against this use of a pin, the worst first."""
    if pin not in chip.pins:
        return [Trouble.NO_SUCH_PIN]
    if pin in chip.flash:
        return [Trouble.FLASH]
    out = role in OUTPUTS
    is_moved = pin in chip.up or pin in chip.noisy
    found = [
        (Trouble.INPUT_ONLY, (out or role is Role.BUS) and pin in chip.input_only),
        (Trouble.MOVES_AT_SWITCH_ON, out and is_moved),
        (Trouble.STOPS_BOOT, pin in chip.straps and not (out and is_moved)),
        (Trouble.NOT_WITH_WIFI, role is Role.ANALOG and pin in chip.adc_without_wifi),
        (Trouble.FALSE_INTERRUPTS, role is Role.INPUT and pin in chip.false_interrupts),
        (Trouble.MAYBE_MEMORY, pin in chip.memory),
        (Trouble.SERIAL, pin in chip.serial and not (out and is_moved)),
    ]
    return [trouble for trouble, applies in found if applies]


def free_pins(chip: Chip, used: frozenset[int], role: Role, most: int = 3) -> list[int]:
    """Return pins for this role that nothing uses and that keep still at switch-on."""
    wanted = sorted(chip.adc - chip.false_interrupts) if role is Role.ANALOG else chip.spare
    good = [pin for pin in wanted if pin not in used and not troubles(chip, pin, role)]
    return good[:most]


# What names of pins usually mean; a name is split at "-" and "_".
_WORDS: dict[Role, frozenset[str]] = {
    Role.ANALOG: frozenset({"battery", "voltage", "volts", "pot", "analog", "adc", "ldr"}),
    Role.INPUT: frozenset(
        {"pir", "beam", "mat", "radar", "button", "switch", "sensor", "sense", "stop", "trigger"}
        | {"in", "input", "endstop", "limit", "detect"}
    ),
    Role.BUS: frozenset({"sda", "scl", "tx", "rx", "mosi", "miso", "sck", "cs", "busy"}),
    Role.SOUND: frozenset(
        {"voice", "sound", "audio", "speaker", "bclk", "lrc", "din", "dac", "amp", "bell"}
    ),
    Role.LIGHT: frozenset(
        {"eyes", "eye", "light", "lights", "lamp", "led", "leds", "strip", "strobe", "glow"}
        | {"candle", "lantern", "laser", "bulb", "spot"}
    ),
}


def role_of(name: str) -> Role:
    """Guess from a pin's name what hangs on it; what is not known may move, so it is taken so."""
    words = frozenset(re.split(r"[-_ ]", name.lower()))
    return next((role for role, known in _WORDS.items() if words & known), Role.MOTION)
