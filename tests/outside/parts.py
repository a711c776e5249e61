"""Published tables of chips and limits of parts, each by its data sheet (copies)."""

from functools import partial

from haunt.workshop.drivers import DRIVERS
from haunt.workshop.pins import CHIPS, Chip
from haunt.workshop.regulators import REGULATORS
from tests.outside.rows import Proof, Row, Side

V, M = Proof.VERIFIED, Proof.MEMORY

ESP32, S3, C3, RP2040 = CHIPS


def _parts() -> list[Row]:
    """Limits of parts, each by its data sheet (copies)."""
    l298, drv, tb, big = (DRIVERS[each] for each in ("l298", "drv8833", "tb6612fng", "drv8870"))
    dpak, to220 = REGULATORS["78m05"], REGULATORS["78m05-to220"]
    st, ti, ti2 = "ST L298, January 2000", "TI SLVSAR1B", "TI DRV8870 data sheet"
    toshiba, fairchild = "Toshiba TB6612FNG data sheet", "Fairchild MC78M05 rev 1.0.8"
    limits: list[tuple[str, str, str, float, float | None]] = [
        ("L298, supply, absolute", st, "V", 50, l298.volts_limit),
        ("L298, supply, operating", st, "V", 46, _most(l298.volts)),
        ("L298, repetitive peak", st, "A", 2.5, l298.peak_amps),
        ("DRV8833, supply, least", ti, "V", 2.7, _least(drv.volts)),
        ("DRV8833, supply, most", ti, "V", 10.8, _most(drv.volts)),
        ("DRV8833, steady, a bridge", ti, "A", 1.5, drv.amps),
        ("DRV8833, peak, a bridge", ti, "A", 2.0, drv.peak_amps),
        ("TB6612FNG, supply, absolute", toshiba, "V", 15, tb.volts_limit),
        ("TB6612FNG, supply, least", toshiba, "V", 2.5, _least(tb.volts)),
        ("TB6612FNG, supply, most", toshiba, "V", 13.5, _most(tb.volts)),
        ("TB6612FNG, steady", toshiba, "A", 1.2, tb.amps),
        ("TB6612FNG, peak", toshiba, "A", 3.2, tb.peak_amps),
        ("DRV8870, supply, least", ti2, "V", 6.5, _least(big.volts)),
        ("DRV8870, supply, most", ti2, "V", 45, _most(big.volts)),
        ("78M05, most current", fairchild, "mA", 500, dpak.limit_ma),
        ("78M05, input, absolute", fairchild, "V", 35, dpak.limit_v),
        ("78M05, input, least", fairchild, "V", 7, _least(dpak.input_v)),
        ("78M05, input, most", fairchild, "V", 20, _most(dpak.input_v)),
        ("78M05, quiescent, most", fairchild, "mA", 6, dpak.quiescent_ma),
        ("78M05, D-PAK to air", fairchild, "K/W", 92, dpak.k_per_w),
        ("78M05, TO-220 to air", fairchild, "K/W", 66, to220.k_per_w),
    ]
    return [
        Row(
            f"part/{what.lower().replace(', ', '-').replace(' ', '-')}",
            what,
            source,
            V,
            0,
            unit,
            ((printed,),),
            partial(_or_nothing, ours),
        )
        for what, source, unit, printed, ours in limits
    ]


def _least(span: tuple[float, float] | None) -> float | None:
    return None if span is None else span[0]


def _most(span: tuple[float, float] | None) -> float | None:
    return None if span is None else span[1]


def _or_nothing(ours: float | None) -> float:
    return float("nan") if ours is None else ours


def _pins(name: str, of: Chip, what: str, numbers: set[int], proof: Proof, source: str) -> Row:
    """Every pin that a chip could have, with 1 where the source names it."""
    highest = max(of.pins | numbers)
    return Row(
        f"pins/{of.name.lower()}-{name.replace('_', '-')}",
        f"{of.name}: {what}",
        source,
        proof,
        0,
        "",
        tuple((pin, int(pin in numbers)) for pin in range(highest + 1)),
        lambda pin: float(pin in getattr(of, name)),
    )


def _pull(of: Chip, pin: int) -> float:
    return float(pin in of.up) - float(pin in of.down)


def _span(*spans: tuple[int, int]) -> set[int]:
    return {pin for low, high in spans for pin in range(low, high + 1)}


SHEET = "ESP32 data sheet, table of strapping pins"
GUIDE, GUIDE3 = (
    "ESP-IDF programming guide, gpio/esp32",
    "ESP-IDF programming guide, gpio/esp32s3",
)
BOOK = "Espressif ESP32-C3 book, table 5.5"
ADC2 = _span((11, 20))
_CHIPS = [
    _pins("pins", ESP32, "pins there are", _span((0, 19), (21, 23), (25, 27), (32, 39)), V, GUIDE),
    _pins("straps", ESP32, "read at switch-on", {0, 2, 5, 12, 15}, V, SHEET),
    Row(
        "pins/esp32-pulls",
        "ESP32: its strapping pins, pulled up (1) or down (-1)",
        SHEET,
        V,
        table=((0, 1), (2, -1), (5, 1), (12, -1), (15, 1)),
        ours=partial(_pull, ESP32),
    ),
    _pins("flash", ESP32, "taken by the flash", _span((6, 11)), V, GUIDE),
    _pins("memory", ESP32, "taken by the memory of some modules", {16, 17}, V, GUIDE),
    _pins("input_only", ESP32, "inputs only", _span((34, 39)), V, GUIDE),
    _pins("adc", ESP32, "analog with the radio on", _span((32, 39)), V, GUIDE),
    _pins(
        "adc_without_wifi",
        ESP32,
        "analog with the radio off only",
        {0, 2, 4, 12, 13, 14, 15, 25, 26, 27},
        V,
        GUIDE,
    ),
    _pins("false_interrupts", ESP32, "interrupts without cause", {36, 39}, V, f"{GUIDE} 3.11"),
    _pins("serial", ESP32, "the first serial line", {1, 3}, V, GUIDE),
    _pins("straps", S3, "read at switch-on", {0, 3, 45, 46}, V, GUIDE3),
    _pins("flash", S3, "taken by flash and memory", _span((26, 32)), V, GUIDE3),
    _pins("memory", S3, "taken by octal memory", _span((33, 37)), V, GUIDE3),
    _pins("adc", S3, "analog, first converter", _span((1, 10)), V, GUIDE3),
    _pins("adc_without_wifi", S3, "analog, second converter", ADC2, V, GUIDE3),
    _pins("down", S3, "pulled down at switch-on", {45, 46}, V, "a chip guide's page"),
    _pins("up", S3, "pulled up at switch-on", {0}, M, "data sheet, from memory"),
    _pins("straps", C3, "read at switch-on", {2, 8, 9}, V, BOOK),
    Row(
        "pins/esp32-c3-pulls",
        "ESP32-C3: its strapping pins, pulled up (1) or not (0)",
        BOOK,
        V,
        table=((2, 0), (8, 0), (9, 1)),
        ours=partial(_pull, C3),
    ),
    _pins("flash", C3, "taken by the flash", _span((12, 17)), V, "documentation of RIOT"),
    _pins("adc", RP2040, "analog", _span((26, 29)), V, "a book on the chip (implrust)"),
    Row(
        "radio/peak",
        "ESP32, 802.11b at 1 Mbit/s, peak (not the 240 mA of older sheets, a mean)",
        "ESP32-PICO-ZERO manual, table 6",
        V,
        2,
        "mA",
        ((368,),),
        lambda: ESP32.wifi_ma or 0,
    ),
    Row(
        "radio/supply",
        "peak that is planned with, within the supply that makers ask for",
        "WROOM-32E data sheet, ESP32-C3 book 5.2.1: 500 mA",
        V,
        0,
        "mA",
        tuple((number, 500) for number in range(3)),
        lambda number: CHIPS[number].wifi_ma or 0,
        side=Side.MOST,
    ),
]

ROWS = [*_parts(), *_CHIPS]
