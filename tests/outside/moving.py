"""Published values of people and things that move or speak: paces, sensors, lines, motors."""

from haunt.study import traffic, walkers
from haunt.wire import firstshow
from haunt.workshop import duty, speech
from tests.outside.rows import Proof, Row, Side

V, L, A, M = Proof.VERIFIED, Proof.LIBRARY, Proof.ARITHMETIC, Proof.MEMORY

_PACES = [
    Row(
        "pace/mean",
        "walking by day, mean",
        "Weidmann 1993, as quoted by FH Wedel",
        V,
        0,
        "m/s",
        ((1.34,),),
        lambda: traffic.SPEED_M_S,
    ),
    Row(
        "pace/spread",
        "the same, standard deviation",
        "Weidmann 1993, as quoted by FH Wedel",
        V,
        0,
        "m/s",
        ((0.26,),),
        lambda: traffic.SPEED_OFF_M_S,
    ),
    Row(
        "pace/drawn",
        "mean and deviation of the paces that are drawn (in sigma)",
        "Weidmann 1993, as quoted by FH Wedel",
        V,
        3.0,
        "sigma",
    ),
    Row(
        "pace/slow-most",
        "pace that 15 in 100 do not reach: the young",
        "Another look at pedestrian walking speed, 2005 (abstract): 3.77 ft/s",
        V,
        0,
        "m/s",
        ((1.15,),),
        side=Side.MOST,
    ),
    Row(
        "pace/slow-least",
        "pace that 15 in 100 do not reach: the old, and adults with children",
        "Another look at pedestrian walking speed, 2005 (abstract): 3.03 ft/s",
        V,
        0,
        "m/s",
        ((0.92,),),
        side=Side.LEAST,
    ),
]

_SENSORS = [
    Row(
        "pir/cone",
        "cone of a small PIR module",
        "an electronics magazine's page on the module",
        V,
        10,
        "degrees",
        ((110,), (120,)),
        lambda: walkers.OPENING_DEG["pir"],
    ),
    Row(
        "pir/range-least",
        "how far a small PIR module sees, least printed",
        "module pages: 3 to 7 m",
        V,
        0,
        "m",
        ((3,),),
        lambda: walkers.RANGE_M["pir"],
        side=Side.LEAST,
    ),
    Row(
        "pir/range-most",
        "how far a small PIR module sees, most printed",
        "module pages: 3 to 7 m",
        V,
        0,
        "m",
        ((7,),),
        lambda: walkers.RANGE_M["pir"],
        side=Side.MOST,
    ),
    Row(
        "pir/hold",
        "how long its output stays high: 24576 x 10 kohm x 10 nF",
        "BISS0001 data sheet (formula; parts from memory)",
        M,
        0.05,
        "s",
        ((24_576 * 10e3 * 10e-9,),),
        lambda: walkers.HOLD_MS["pir"] / 1000,
    ),
    Row(
        "pir/warm-up",
        "seconds after power-on in which it is not believed",
        "a project page: 10 to 60 s",
        V,
        25,
        "s",
        ((35,),),
        lambda: firstshow.WARM_UP_S["pir"],
    ),
]

_LINES_AND_MOTORS = [
    Row(
        "speech/conversation",
        "words a minute in conversation",
        "National Center for Voice and Speech, as two pages quote it",
        V,
        0,
        "/min",
        ((150,),),
        lambda: float(speech.CONVERSATION_WPM),
    ),
    Row(
        "speech/words",
        "twenty words at 150 and at 175 a minute",
        "formula; 175 is espeak-ng's default by its man page",
        A,
        0.005,
        "s",
        ((20, 150, 8.0), (20, 175, 6.857)),
        speech.seconds_to_say,
    ),
    Row(
        "speech/total",
        "ten lines said by a program, all together",
        "espeak-ng, its WAV files' own headers",
        L,
        0.15,
        "of the sum",
    ),
    Row(
        "speech/shortest",
        "each of them, as a share of our sum, least",
        "espeak-ng, its WAV files' own headers",
        L,
        table=((0.65,),),
        side=Side.LEAST,
    ),
    Row(
        "speech/longest",
        "each of them, as a share of our sum, most",
        "espeak-ng, its WAV files' own headers",
        L,
        table=((1.45,),),
        side=Side.MOST,
    ),
    Row(
        "duty/share",
        "2.5 min on, 7.5 min off",
        "IEC 60034-1 S3: N / (N + R), as a supplier's article gives it",
        V,
        1e-12,
        table=((0.25,),),
        ours=lambda: duty.cyclic_share(150, 450),
    ),
    Row(
        "duty/arbiter",
        "motor time of a busy prop in any ten minutes, beyond its S3 share",
        "IEC 60034-1 S3, the ten minutes from memory",
        M,
        unit="ms",
    ),
]

ROWS = [*_PACES, *_SENSORS, *_LINES_AND_MOTORS]
