"""Show files for the tests of this folder: the smallest one, one with every key, a big one."""

from pathlib import Path

MINIMAL = """\
[show]
id = "mini"
time_zone = "UTC"

[[board]]
id = "gate"

[[sensor]]
id = "gate-pir"
board = "gate"

[[prop]]
id = "gatekeeper"
board = "gate"

[[prop.behaviour]]
id = "growl"
duration_s = 6.5

[[link]]
sensor = "gate-pir"
prop = "gatekeeper"
"""

FULL = """\
[show]
id = "full"
name = "Every key"
time_zone = "Europe/Berlin"
latitude = 52.0
longitude = 13
walking_speed_m_s = 0.7
night_low_c = -3
speech_wpm = 160
speech_voice = "en-gb"
gibberish = true
barred_words = ["blood", "grave"]

[[night]]
date = 2026-10-31
opens = "sunset+00:20"
closes = "21:30"
last_group_min = 15

[[phase]]
name = "gentle"
from = "17:00"
to = "sunset+01:00"
max_intensity = 2
max_flash_hz = 0
cooldown_factor = 1.5

[[quiet]]
from = "22:00"
to = "07:00"
days = ["fri", "sat"]
max_level_dba = 60

[stagger]
radius_m = 5
gap_s = 2.5
voice_radius_m = 8

[limits]
flash_hz = 3
patience_s = 3
boundary = [{ name = "fence", x_m = 12, y_m = 9, max_level_dba = 65 }]

[traffic]
groups_per_hour = 40
low = 20
high = 80

[[circuit]]
id = "porch"
volts = 230
breaker_a = 16
gfci = true
gfci_ma = 30
other_w = 100
controller = false
wet = true

[[supply]]
id = "psu"
kind = "dc"
circuit = "porch"
volts = 12
limit_a = 5
fuse_a = 5
load_w = 20

[[regulator]]
id = "buck-5v"
kind = "switching"
output_v = 5
input_min_v = 7
input_max_v = 28
limit_ma = 3000
dropout_v = 1.5
theta_k_w = 40

[[driver]]
id = "h-bridge"
kind = "bipolar"
input_min_v = 5
input_max_v = 40
limit_a = 2
peak_a = 3
drop_v = 3
ohm = 0.2
theta_k_w = 35

[[board]]
id = "gate"
model = "esp32"
place = "left post"
x_m = 0
y_m = 1.5
supply = "psu"
pins = { pir = 27, eyes = "gp16" }
regulator = "buck-5v"
driver = "h-bridge"
idle_ma = 120
input_min_v = 7
input_max_v = 16
wire = { length_m = 3, awg = 18, area_mm2 = 0.75 }
inputs = ["pir"]
analog = ["battery"]
stop_states = { eyes = "off" }

[[board]]
id = "well"

[board.battery]
chemistry = "LiPo"
series = 2
parallel = 2
capacity_mah = 5000
measured_mah = 4600
rate_h = 5
peukert = 1.05
resistance_mohm = 40
fuse_a = 7.5

[[sensor]]
id = "gate-pir"
board = "gate"
kind = "pir"
place = "on the post"
x_m = 0
y_m = 1
warm_up_s = 45
block_s = 4
lull_s = 3
lull_max_s = 40
sees = ["gatekeeper"]
settle_s = 1.5
fresh_s = 2
action = "fire"
aim_deg = 90
range_m = 5

[[sensor]]
id = "well-button"
board = "well"
kind = "push-button"

[[prop]]
id = "gatekeeper"
board = "gate"
name = "Gatekeeper"
place = "by the gate"
x_m = 0.5
y_m = 1.5
cooldown_s = 20
hourly_cap = 80
duty = 0.25
priority = 1
patience_s = 2.5
arm_by_hand = true
view = "gate"
retire_percent = 15
stretch_percent = 40
stretch_factor = 1.8
cut_off = "toggle on the post"
scare_spot = { x_m = 0, y_m = 0 }
motor = { volts = 6, running_ma = 400, stall_ma = 1800, rail = "pack" }

[prop.speaker]
watts = 5
ohms = 8
drivers = 2
wiring = "series"
sensitivity_db = 86
amplifier_w = 10
amplifier_ohm = 4

[prop.idle]
tracks = ["glow"]
average_ma = 60
level_dba = 40
flash_hz = 0

[[prop.behaviour]]
id = "growl"
duration_s = 6.5
motor_on_s = 4
intensity = 3
level_dba = 80
flash_hz = 2
peak_ma = 900
average_ma = 450
weight = 2
voice = true
patience_s = 1.5
lead_ms = 120
lines = ["who-goes-there"]
tracks = { voice = "growl", light = "eyes" }

[[prop]]
id = "lamp"
board = "gate"
alone = "glow"

[[prop.behaviour]]
id = "glow"
duration_s = 2

[[link]]
sensor = "gate-pir"
prop = "gatekeeper"
distance_m = 1
delay_s = 0.4
after = "well-button"
within_s = 20

[[timetable]]
prop = "gatekeeper"
behaviour = "growl"
at = "sunset"

[[timetable]]
prop = "gatekeeper"
every_s = [60, 90.5]
from = "sunset-00:30"
to = "21:30"
only_after_motion_s = 30
only_after_quiet_s = 60

[[hazard]]
kind = "step"
x_m = 1
y_m = -1
"""


def big(props: int) -> str:
    """A show with as many boards, sensors and links as props, and two behaviours for each."""
    head = '[show]\nid = "big"\ntime_zone = "Europe/Berlin"\n'
    return head + "".join(
        f"""
[[board]]
id = "b{number}"   # board
x_m = {number}.5
y_m = 1
[[sensor]]
id = "s{number}"
board = "b{number}"
warm_up_s = 30
sees = ["p{number}"]
[[prop]]
id = "p{number}"
board = "b{number}"
name = "Prop {number}"
cooldown_s = 20
[[prop.behaviour]]
id = "growl"
duration_s = 6.5
level_dba = 80
[[prop.behaviour]]
id = "hiss"
duration_s = 4
intensity = 2
[[link]]
sensor = "s{number}"
prop = "p{number}"
distance_m = 2.0
"""
        for number in range(props)
    )


def spoiled() -> dict[str, tuple[str, list[str]]]:
    """Parts of a show file that are wrong, by name, each with the words that must be said."""
    file = Path(__file__).parent / "data" / "spoiled_shows.txt"
    parts = {}
    for part in file.read_text(encoding="utf-8").split("=== ")[1:]:
        name, *lines = part.rstrip().split("\n")
        said = [line.removeprefix("> ") for line in lines if line.startswith("> ")]
        parts[name] = ("\n".join(line for line in lines if not line.startswith("> ")), said)
    return parts
