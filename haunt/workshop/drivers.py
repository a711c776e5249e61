"""Motor drivers: what a bridge leaves for the motor, what it may carry, how hot it gets.

A bipolar bridge keeps two saturated transistors' volts, more with current; a MOSFET bridge is a
resistance. Volts, amperes, ohms, kelvin a watt. A value out of range raises ValueError.
"""

from dataclasses import dataclass

from haunt.workshop.band import Band
from haunt.workshop.curve import on_line

WELL_INSIDE = 0.85
"""Share of a printed absolute limit that is used at most: parts have failed within the printed
range (a carrier sold for 6.5 to 16 V, at 15 V). Common practice, no source."""
HOT = 1.4
"""An RDS(on) at 25 C, warm: common practice for the parts below."""


@dataclass(frozen=True, slots=True)
class Driver:
    """`volts` is the operating range, `volts_limit` the absolute maximum; a bridge each.

    `saturation` is (A, least, typical, most) V of both transistors together, by rising current.
    """

    name: str
    volts: tuple[float, float] | None = None
    volts_limit: float | None = None
    amps: float | None = None
    peak_amps: float | None = None
    ohm: Band | None = None
    saturation: tuple[tuple[float, float, float, float], ...] = ()
    k_per_w: float | None = None


# L298: maxima and 35 K/W from the data sheet of January 2000; 1.8 to 3.2 V at 1 A as quoted from
# it; the split that gives the typical figures, 4.9 V at 2 A and the figures at 0 A from memory.
# DRV8833: TI SLVSAR1B; its absolute 11.8 V from memory. TB6612FNG: Toshiba 2014, 0.5 ohm typical.
# DRV8870: TI data sheet, 307 + 258 typical, 360 + 320 mohm most; its absolute 50 V from memory.
DRIVERS = {
    each.name: each
    for each in (
        Driver(
            "l298",
            (4.8, 46.0),
            50.0,
            2.0,
            2.5,
            saturation=((0.0, 1.0, 1.4, 2.0), (1.0, 1.8, 2.55, 3.2), (2.0, 2.6, 3.7, 4.9)),
            k_per_w=35.0,
        ),
        Driver("drv8833", (2.7, 10.8), 11.8, 1.5, 2.0, Band(0.36, 0.36, 0.36 * HOT)),
        Driver("tb6612fng", (2.5, 13.5), 15.0, 1.2, 3.2, Band(0.5, 0.5, 0.5 * HOT)),
        Driver("drv8870", (6.5, 45.0), 50.0, None, 3.6, Band(0.565, 0.565, 0.68 * HOT)),
    )
}
_SAME = {"l298n": "l298", "tb6612": "tb6612fng"}


def driver_of(name: str) -> Driver | None:
    word = name.strip().lower()
    return DRIVERS.get(_SAME.get(word, word))


def bridge_drop_v(driver: Driver, current_a: float) -> Band:
    """Volts that stay in the bridge. Raises ValueError beyond the table or with no figures."""
    if current_a < 0:
        raise ValueError(f"{current_a} A; allowed: 0 and more")
    if driver.ohm is not None:
        return driver.ohm.scaled(current_a)
    table = driver.saturation
    if not table or current_a > table[-1][0]:
        most = f"0 to {table[-1][0]:g} A" if table else "a driver with figures"
        raise ValueError(f"{current_a:g} A through {driver.name}; allowed: {most}")
    amps, *columns = zip(*table, strict=True)
    least, typical, most_v = (
        on_line([*zip(amps, column, strict=True)], current_a) for column in columns
    )
    return Band(typical, least, most_v)


def motor_volts(source_v: Band, driver: Driver, current_a: float) -> Band:
    """What is left at the motor, never below 0."""
    left = source_v - bridge_drop_v(driver, current_a)
    return Band(max(0.0, left.at), max(0.0, left.low), max(0.0, left.high))


def bridge_rise_k(driver: Driver, current_a: float, on_share: float = 1.0) -> Band | None:
    """How much hotter than the air the junction gets, without a heat sink; None if unknown."""
    if not 0 <= on_share <= 1:
        raise ValueError(f"on {on_share} of the time; allowed: 0 to 1")
    if driver.k_per_w is None:
        return None
    return bridge_drop_v(driver, current_a).scaled(current_a * on_share * driver.k_per_w)


def highest_safe_v(operating_max_v: float | None, limit_v: float | None) -> float | None:
    """The highest supply to plan with: in the operating range, and well inside the limit."""
    found = [
        each
        for each in (operating_max_v, limit_v * WELL_INSIDE if limit_v is not None else None)
        if each is not None
    ]
    return min(found) if found else None
