"""Goal: whatever moves, lights up or fails to start at switch-on is seen from the pin's number.

Method: the published tables of each chip, pin by pin, for every role.
"""

import pytest

from haunt.workshop.pins import (
    CHIPS,
    OUTPUTS,
    Role,
    Trouble,
    chip_of,
    free_pins,
    pin_number,
    role_of,
    troubles,
)
from tests.outside.registry import outside

ESP32, S3, C3, RP2040 = CHIPS


@pytest.mark.parametrize(
    ("model", "name"),
    [
        ("esp32", "ESP32"),
        ("ESP32-WROOM-32E", "ESP32"),
        ("esp32 devkit", "ESP32"),
        ("ESP32-S3-WROOM-1", "ESP32-S3"),
        ("esp32s3", "ESP32-S3"),
        ("esp32_c3", "ESP32-C3"),
        ("rp2040", "RP2040"),
        ("Pico W", "RP2040"),
        ("esp32-c6", None),
        ("pico-2", None),
        ("abacus", None),
    ],
)
def test_a_model_is_known_in_its_usual_spellings(model: str, name: str | None) -> None:
    found = chip_of(model)
    assert (found.name if found else None) == name


@pytest.mark.parametrize(
    ("pin", "number"),
    [(16, 16), ("16", 16), ("GP16", 16), ("io4", 4), ("GPIO 33", 33), ("A0", None), ("", None)],
)
def test_a_pin_is_known_in_its_usual_spellings(pin: int | str, number: int | None) -> None:
    assert pin_number(pin) == number


@pytest.mark.parametrize("chip", CHIPS, ids=lambda each: each.name)
def test_a_motor_keeps_still_at_switch_on_only_on_pins_that_are_not_pulled(chip: object) -> None:
    each = next(one for one in CHIPS if one is chip)
    usable = each.pins - each.flash - each.input_only
    moving = {p for p in usable if Trouble.MOVES_AT_SWITCH_ON in troubles(each, p, Role.MOTION)}
    assert moving == (each.up | each.noisy) & usable


def test_the_pins_of_the_data_sheets_table_are_judged_as_it_says() -> None:
    # The tables themselves, pin by pin: tests/outside/parts.py.
    assert troubles(ESP32, 5, Role.MOTION)[0] is Trouble.MOVES_AT_SWITCH_ON
    assert troubles(ESP32, 12, Role.MOTION)[0] is Trouble.STOPS_BOOT
    assert troubles(ESP32, 12, Role.INPUT)[0] is Trouble.STOPS_BOOT
    assert all(troubles(ESP32, p, Role.LIGHT) == [Trouble.FLASH] for p in range(6, 12))
    assert all(troubles(ESP32, p, Role.LIGHT)[0] is Trouble.INPUT_ONLY for p in range(34, 40))
    assert troubles(ESP32, 34, Role.INPUT) == []
    assert troubles(ESP32, 36, Role.INPUT) == [Trouble.FALSE_INTERRUPTS]
    assert troubles(ESP32, 25, Role.ANALOG) == [Trouble.NOT_WITH_WIFI]
    assert troubles(ESP32, 25, Role.MOTION) == []
    assert troubles(ESP32, 20, Role.INPUT) == [Trouble.NO_SUCH_PIN]
    assert troubles(ESP32, 16, Role.LIGHT) == [Trouble.MAYBE_MEMORY]
    assert troubles(S3, 0, Role.MOTION)[0] is Trouble.MOVES_AT_SWITCH_ON
    assert troubles(S3, 45, Role.MOTION)[0] is Trouble.STOPS_BOOT
    assert troubles(C3, 9, Role.LIGHT)[0] is Trouble.MOVES_AT_SWITCH_ON
    assert troubles(C3, 8, Role.LIGHT)[0] is Trouble.STOPS_BOOT
    outside("pins/judged").agrees(cases=26)


@pytest.mark.parametrize("role", [*sorted(OUTPUTS), Role.INPUT, Role.ANALOG])
@pytest.mark.parametrize("chip", CHIPS, ids=lambda each: each.name)
def test_every_pin_that_is_named_as_better_is_better(chip: object, role: Role) -> None:
    each = next(one for one in CHIPS if one is chip)
    free = free_pins(each, frozenset(), role, most=40)
    assert len(free) >= 3
    assert all(troubles(each, pin, role) == [] for pin in free)
    assert free[0] not in free_pins(each, frozenset({free[0]}), role)


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("pir", Role.INPUT),
        ("gate-pir", Role.INPUT),
        ("stop-button", Role.INPUT),
        ("battery", Role.ANALOG),
        ("eyes", Role.LIGHT),
        ("led_strip", Role.LIGHT),
        ("voice", Role.SOUND),
        ("sda", Role.BUS),
        ("arm", Role.MOTION),
        ("valve", Role.MOTION),
        ("frobnicator", Role.MOTION),
    ],
)
def test_what_a_name_does_not_tell_is_taken_for_something_that_moves(name: str, role: Role) -> None:
    assert role_of(name) is role
