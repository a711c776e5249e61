"""Invented gardens of any size, in islands that share nothing, so that no fault crosses over."""

from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

PROPS_A_BOARD, PROPS_A_SENSOR, PROPS_AN_ISLAND = 4, 2, 8
STRIDE_M, BETWEEN_ISLANDS_M = 4.0, 60.0

HEAD = """
[show]
id = "yard"
name = "The yard"
time_zone = "Europe/Berlin"
walking_speed_m_s = 0.7

[stagger]
radius_m = 5
gap_s = 3
voice_radius_m = 9

[limits]
flash_hz = 3
"""
SUPPLY = """
[[supply]]
id = "psu-{n}"
volts = 12
limit_a = 6
"""
BOARD = """
[[board]]
id = "b{n:03}"
x_m = {x_m}
y_m = 2
idle_ma = 80
{power}
"""
PACK = 'battery = { chemistry = "lifepo4", series = 4, capacity_mah = 6000 }'
SENSOR = """
[[sensor]]
id = "s{n:03}"
board = "{board}"
kind = "{kind}"
x_m = {x_m}
y_m = 0
block_s = 3
{more}
"""
PROP = """
[[prop]]
id = "p{n:03}"
board = "{board}"
x_m = {x_m}
y_m = 2
cooldown_s = 15
hourly_cap = 90
view = "v{island}"
{more}

[[prop.behaviour]]
id = "rise"
duration_s = 5
motor_on_s = 2
intensity = 2
level_dba = 70
peak_ma = 900
average_ma = 300
voice = {voice}

[[prop.behaviour]]
id = "glow"
duration_s = 3
intensity = 1
flash_hz = 1
peak_ma = 400
average_ma = 200
"""
LINK = """
[[link]]
sensor = "{sensor}"
prop = "{prop}"
distance_m = {metres}
"""


def yard(
    props: int,
    *,
    props_a_board: int = PROPS_A_BOARD,
    props_a_sensor: int = PROPS_A_SENSOR,
    island: int = PROPS_AN_ISLAND,
) -> ShowFile:
    """Build a path of islands; each has a supply, views and neighbours of its own."""
    text = HEAD
    for n in range(-(-props // island)):
        text += SUPPLY.format(n=n)
    for n in range(0, props, props_a_board):
        is_packed = n // props_a_board % 3 == 0
        power = PACK if is_packed else f'supply = "psu-{n // island}"'
        text += BOARD.format(n=n // props_a_board, x_m=_x_m(n, island), power=power)
    for n in range(0, props, props_a_sensor):
        text += _sensor(n, props_a_board, props_a_sensor, island)
    for n in range(props):
        text += _prop(n, props_a_board, island)
    for n in range(props):
        sensor = f"s{n // props_a_sensor:03}"
        text += LINK.format(sensor=sensor, prop=f"p{n:03}", metres=n % props_a_sensor * 2)
    return read_show(text, "yard").show


def _x_m(n: int, island: int) -> float:
    return n * STRIDE_M + n // island * BETWEEN_ISLANDS_M


def _sensor(n: int, props_a_board: int, props_a_sensor: int, island: int) -> str:
    kind = ("beam", "pir", "mat")[n // props_a_sensor % 3]
    more = "warm_up_s = 20\nlull_s = 3\nfresh_s = 3" if kind == "pir" else ""
    return SENSOR.format(
        n=n // props_a_sensor,
        board=f"b{n // props_a_board:03}",
        kind=kind,
        x_m=_x_m(n, island),
        more=more,
    )


def _prop(n: int, props_a_board: int, island: int) -> str:
    return PROP.format(
        n=n,
        board=f"b{n // props_a_board:03}",
        x_m=_x_m(n, island),
        island=n // island,
        more="duty = 0.4\nretire_percent = 15" if n % 4 == 1 else "",
        voice=str(n % 2 == 0).lower(),
    )
