"""Published values of wire and sound, beside those of the workshop's list."""

from math import pi, sqrt

from haunt.workshop import sound, wire
from tests.outside.rows import Proof, Row

V, A = Proof.VERIFIED, Proof.ARITHMETIC
KFT_PER_KM = 3.28084

DIAMETERS = {
    10: 2.5882, 12: 2.0525, 14: 1.6277, 16: 1.2908, 18: 1.0237,
    20: 0.8118, 22: 0.6438, 24: 0.5106, 26: 0.4049, 28: 0.3211,
}  # fmt: skip
AREAS = {
    10: 5.2612, 12: 3.3088, 14: 2.0809, 16: 1.3087, 18: 0.8230,
    20: 0.5176, 22: 0.3255, 24: 0.2047, 26: 0.1288, 28: 0.0810,
}  # fmt: skip
_WIRE = [
    Row(
        "wire/diameter",
        "diameter, AWG 10 to 28 by twos",
        "formula of ASTM B258, four places",
        A,
        6e-5,
        "mm",
        tuple(DIAMETERS.items()),
        lambda gauge: sqrt(4 * wire.gauge_mm2(gauge) / pi),
    ),
    Row(
        "wire/area",
        "area, AWG 10 to 28 by twos",
        "formula of ASTM B258, four places",
        A,
        6e-5,
        "mm2",
        tuple(AREAS.items()),
        wire.gauge_mm2,
    ),
    Row(
        "wire/diameter-12",
        "diameter, AWG 12",
        "calculator site",
        V,
        0.001,
        "mm",
        ((12, 2.053),),
        lambda gauge: sqrt(4 * wire.gauge_mm2(gauge) / pi),
    ),
    Row(
        "wire/floyd-kft",
        "AWG 18, 20, 22, 24 a thousand feet, 20 °C (not its 52.7 ohm/km, a misprint)",
        "physics reference's wire table (Floyd)",
        V,
        0.005,
        "ohm/kft",
        ((18, 6.385), (20, 10.15), (22, 16.14), (24, 25.67)),
        lambda gauge: wire.ohm_per_km(wire.gauge_mm2(gauge)) / KFT_PER_KM,
        is_share=True,
    ),
    Row(
        "wire/nec-stranded",
        "AWG 18 to 10 stranded a thousand feet, 75 °C (strands are a little longer)",
        "NEC chapter 9 table 8 (code copy)",
        V,
        0.03,
        "ohm/kft",
        ((18, 7.95), (16, 4.99), (14, 3.14), (12, 1.98), (10, 1.24)),
        lambda gauge: wire.ohm_per_km(wire.gauge_mm2(gauge), 75) / KFT_PER_KM,
        is_share=True,
    ),
    Row(
        "wire/warm",
        "resistance at 20 °C as a share of that at 75 °C",
        "voltage drop calculator's page: about 82 %",
        V,
        0.005,
        table=((0.82,),),
        ours=lambda: wire.ohm_per_km(1, 20) / wire.ohm_per_km(1, 75),
    ),
]

MORE = (3.01, 2.54, 2.12, 1.76, 1.46, 1.19, 0.97, 0.79, 0.64, 0.51, 0.41)
_SOUND = [
    Row(
        "sound/added",
        "what a level adds to one that is 0 to 10 dB louder",
        "formula, two places",
        A,
        0.0051,
        "dB",
        tuple(enumerate(MORE)),
        lambda less: sound.sum_of([80.0, 80.0 - less]) - 80,
    ),
    Row(
        "sound/five-apart",
        "75 and 80 dB: added to the louder",
        "machinery handbook page, figure 2.8",
        V,
        0.05,
        "dB",
        ((1.2,),),
        lambda: sound.sum_of([75, 80]) - 80,
    ),
    Row(
        "sound/doubling",
        "each doubling of the distance, 1 to 64 m",
        "ISO 9613-2:1996 7.1, quoted in a noise manual: 20 lg 2",
        V,
        0.005,
        "dB",
        tuple((2**n, -6.02) for n in range(6)),
        lambda metres: sound.level_at(90, 2 * metres) - sound.level_at(90, metres),
    ),
]

ROWS = [*_WIRE, *_SOUND]
