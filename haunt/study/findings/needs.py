"""What a check needs that the show file may leave out: what it would settle, and how to measure."""

from typing import NamedTuple

from haunt.workshop.cautions import Topic


class Need(NamedTuple):
    """`keys` as the show file spells them; `settles` the checks; `how` one way to get a figure."""

    keys: str
    settles: str
    how: str
    caution: Topic | None = None


CAPACITY = Need(
    "battery.capacity_mah",
    "whether the pack lasts till close",
    "It is printed on the pack; better: charge it full, let a charger that counts discharge it, "
    "and write that down as measured_mah.",
    Topic.LITHIUM,
)
IDLE = Need(
    "board.idle_ma",
    "whether the pack lasts till close",
    "An ammeter in the pack's lead for ten minutes, Wi-Fi on, nothing playing; take the mean.",
    Topic.FUSE,
)
AVERAGE = Need(
    "behaviour.average_ma",
    "what each behaviour takes of the pack",
    "A charge counter in the pack's lead over ten runs of the behaviour; mAh x 360 / seconds of "
    "one run, less idle_ma.",
    Topic.FUSE,
)
RATE = Need(
    "battery.rate_h",
    "what a lead-acid battery gives at your current",
    "Its data sheet says at how many hours the capacity was rated; 20 h is usual.",
    Topic.FUSE,
)
NIGHT = Need("[[night]]", "whether packs last till close", "Give the night's opens and closes.")
LOW = Need(
    "show.night_low_c",
    "how much less the packs hold in the cold",
    "Last week's lowest evening temperature. Until then 5 °C is assumed.",
)
TRAFFIC = Need(
    "traffic.groups_per_hour",
    "how often props will start",
    "Last year's count, or the greeter's button. Until then an invented 40 groups an hour (20 to "
    "80) is assumed.",
)
REGULATOR = Need(
    "board.regulator and [[regulator]]",
    "input range, heat and headroom of the logic's supply",
    "Read the regulator's data sheet or the carrier's print: input_min_v, input_max_v, output_v, "
    "limit_ma, dropout_v, theta_k_w. A carrier's own printed range is input_min_v and input_max_v "
    "of the board.",
)
DRIVER = Need(
    "board.driver and [[driver]]",
    "what the bridge leaves for the motor, its current and heat",
    "Read the bridge's data sheet: kind, input_min_v, input_max_v, limit_a, peak_a, ohm or drop_v.",
)
MOTOR = Need(
    "prop.motor with volts and running_ma",
    "motor volts, driver current and heat",
    "The motor's plate; better: an ammeter in its lead while it moves the real load.",
    Topic.MOTION,
)
STALL = Need(
    "prop.motor.stall_ma",
    "whether the board restarts when the motor meets resistance",
    "Volts of the supply divided by the motor's winding resistance, read with an ohmmeter at rest; "
    "or block the load, not by hand, for a second at most and read a clamp meter.",
    Topic.MOTION,
)
RESISTANCE = Need(
    "battery.resistance_mohm",
    "how far the pack sags under the motor",
    "Read the pack at rest, then under a known current: 1000 x (rest - loaded volts) / amperes. "
    "Until then a typical figure within a factor of two is taken.",
    Topic.FUSE,
)
WIRE = Need(
    "board.wire with length_m and awg or area_mm2",
    "volts lost in the wire, and whether the fuse protects it",
    "Measure the run once, not out and back; the gauge is printed on the insulation.",
    Topic.FUSE,
)
FUSE = Need(
    "battery.fuse_a or supply.fuse_a",
    "whether the wire is protected",
    "Read the fuse at the pack's or supply's lead; fit one if there is none.",
    Topic.FUSE,
)
LIMIT = Need(
    "supply.limit_a and volts",
    "whether the supply carries its props",
    "The supply's label says volts and amperes of its output.",
)
PEAK = Need(
    "behaviour.peak_ma",
    "supply and wire under the strongest behaviour",
    "The highest reading of a clamp or bench supply while it plays.",
)
PINS = Need(
    "board.model and pins",
    "pins that move at switch-on or cannot do their work",
    "Write down model and pins = { name = number } as wired.",
)
STOP_STATES = Need(
    "board.stop_states",
    "that each motor and valve has a stop state",
    'As in the board\'s own config: stop_states = { arm = "home" }.',
    Topic.MOTION,
)
DUTY = Need(
    "prop.duty",
    "whether the motor's plate allows this pace",
    "The plate's S3 figure: 25 % is duty = 0.25. A motor without one: 0.25 is careful.",
    Topic.MOTION,
)
LEVEL = Need(
    "behaviour.level_dba",
    "levels at ears and at the property line",
    "A sound level meter at 1 m, A, slow, the behaviour playing; the highest reading.",
    Topic.HEARING,
)
BOUNDARY = Need(
    "limits.boundary",
    "levels at the property line",
    "Name the nearest neighbour's spot, x_m, y_m, and what your town allows there.",
)
PLACE = Need(
    "x_m and y_m of board or prop",
    "levels at the property line, neighbours, hazards",
    "A tape measure along the path and across it.",
)
SPEAKER = Need(
    "prop.speaker",
    "whether amplifier, speaker and level fit together",
    "Watts, ohms and sensitivity stand on the driver and in its data sheet.",
)
BREAKER = Need(
    "circuit.volts and breaker_a",
    "whether the house circuit carries its loads",
    "They are printed at the breaker. Look, do not open the panel.",
    Topic.MAINS,
)
LOAD = Need(
    "supply.load_w, or volts and limit_a",
    "whether the house circuit carries its loads",
    "Read the label of the compressor, fogger or supply, or a plug-in power meter.",
    Topic.MAINS,
)
