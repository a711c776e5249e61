"""What every table and key of the show file is called on pages, and one sentence of help for each.

A table and nothing else; a test holds it against the models, so that no key is without words.
"""

from typing import Final, NamedTuple

from pydantic import BaseModel

from haunt.wire import showmodels as m
from haunt.wire import showpower as power


class Said(NamedTuple):
    """`label` without its unit, which follows from the key."""

    label: str
    hint: str


class Called(NamedTuple):
    """A table: one row of it, many, and what it is for."""

    one: str
    many: str
    hint: str


TABLES: Final[dict[str, Called]] = {
    "show": Called("Show", "Show", "What the show is called and where it stands."),
    "nights": Called("Night", "Nights", "When it is open. Without nights it is open all the time."),
    "phases": Called("Phase", "Phases", "Spans of a night with an audience of their own."),
    "quiet": Called("Quiet span", "Quiet hours", "Clock spans that bar the loud, or everything."),
    "stagger": Called("Stagger", "Stagger", "How neighbours keep out of each other's way."),
    "limits": Called("Limits", "Limits", "What holds for all props together."),
    "traffic": Called("Traffic", "Traffic", "How many groups come; for forecasts only."),
    "circuits": Called("Circuit", "Circuits", "House circuits that supplies hang on."),
    "supplies": Called("Supply", "Supplies", "What several boards or loads share; air too."),
    "regulators": Called("Regulator", "Regulators", "Parts by their data sheet."),
    "drivers": Called("Driver", "Drivers", "Motor drivers by their data sheet."),
    "boards": Called("Board", "Boards", "Microcontrollers with their power and pins."),
    "sensors": Called("Sensor", "Sensors", "What tells that somebody is there."),
    "props": Called("Prop", "Props", "What visitors see."),
    "behaviours": Called("Behaviour", "Behaviours", "What a prop can do."),
    "links": Called("Link", "Links", "Which sensor sets off which prop, and how much later."),
    "timetable": Called("Timetable row", "Timetable", "What starts by the clock."),
    "hazards": Called("Hazard", "Hazards", "Steps, water, flames: no startle beside them."),
}

_X = Said("Map, along", "Metres along the path, from the map's zero.")
_Y = Said("Map, across", "Metres across it; the sign tells the side.")
_FUSE = Said("Fuse", "In the lead, close to where it comes from.")
_FLASH = Said("Flashes", "How often a second its light begins, at its fastest.")
_INPUT_MIN = Said("Input at least", "The data sheet's lowest supply.")
_INPUT_MAX = Said("Input at most", "The data sheet's highest supply.")
_THETA = Said("Heat to the air", "Junction to ambient, without a heat sink.")
_PLACE = Said("Place", "In words, so that somebody finds it in the dark.")
_PATIENCE = "How long a visitor is still in front of it. 3 s where nothing is said."
_TRACKS = Said("Tracks", "One a line: a name, or voice = growl, light = eyes, motion = jaw.")
_LEVEL = "At 1 m, as measured or as its data say."
_AVERAGE = Said("Current, mean", "While it runs, over what the board takes idle.")

WORDS: Final[dict[type[BaseModel], dict[str, Said]]] = {
    m.Info: {
        "id": Said("Id", "Short; stands in every topic of the wire. It cannot change here."),
        "name": Said("Name", "As people say it."),
        "time_zone": Said("Time zone", "Decides what 18:00 means, also when clocks change."),
        "latitude": Said("Latitude", "For the sunset only; a tenth of a degree is plenty."),
        "longitude": Said("Longitude", "For the sunset only; east is positive."),
        "walking_speed_m_s": Said("Walking speed", "0.8 is a family in the dark."),
        "night_low_c": Said("Coldest of the night", "Cold packs hold less."),
        "speech_wpm": Said("Speech", "Words a minute, for how long lines take and are made."),
        "speech_voice": Said("Voice", "Of espeak-ng: en, de, en-gb; for sound files of lines."),
        "gibberish": Said("Gibberish is welcome", "Lines that nobody has kept are said too."),
        "barred_words": Said("Barred words", "No line with one while a phase limits intensity."),
    },
    m.Night: {
        "date": Said("Date", "The local date on which it opens."),
        "opens": Said("Opens", "18:00, or sunset+00:20."),
        "closes": Said("Closes", "Shuts the entrance. Earlier than opens: the next day."),
        "last_group_min": Said("For the last group", "Props run on so long after closing."),
    },
    m.Phase: {
        "name": Said("Name", "The Gentle button uses the one called gentle."),
        "from": Said("From", "Local clock time."),
        "to": Said("To", "The same as from: the whole day."),
        "max_intensity": Said("Intensity at most", "1 is for the smallest, 5 a startle."),
        "max_flash_hz": Said("Flashes at most", "0 bars all that flashes."),
        "cooldown_factor": Said("Rest times", "2 doubles every cooldown."),
    },
    m.Quiet: {
        "from": Said("From", "Local clock time."),
        "to": Said("To", "The same as from: the whole day."),
        "days": Said("Days", "The day on which it begins. None: every day."),
        "max_level_dba": Said("Level at most", "Of a behaviour at 1 m. Empty bars everything."),
    },
    m.Stagger: {
        "radius_m": Said("Neighbours within", "Props closer than this start apart."),
        "gap_s": Said("Gap between starts", "Between the starts of neighbours."),
        "voice_radius_m": Said("One voice within", "Within this only one prop speaks."),
    },
    m.Limits: {
        "flash_hz": Said("Flashes at most", "Of all props in one field of view."),
        "patience_s": Said("Patience", _PATIENCE),
        "boundary": Said("Property line", "Points where the level may not pass a limit."),
    },
    m.BoundaryPoint: {
        "name": Said("Name", "Which fence or window."),
        "x_m": _X,
        "y_m": _Y,
        "max_level_dba": Said("Level at most", "Of everything together, there."),
    },
    m.Traffic: {
        "groups_per_hour": Said("Groups, a usual evening", "Last year's count is the best guess."),
        "low": Said("Groups an hour, a quiet evening", "The low end of the forecast."),
        "high": Said("Groups an hour, a busy evening", "The high end of the forecast."),
    },
    power.Circuit: {
        "id": Said("Id", "Which outlet or line."),
        "volts": Said("Voltage", "Of the mains there."),
        "breaker_a": Said("Breaker", "As printed on it. Load it to 80 % at most."),
        "gfci": Said("Ground-fault device", "Whether the circuit is behind one."),
        "gfci_ma": Said("Trips at", "As printed on the ground-fault device."),
        "other_w": Said("What else hangs on it", "Freezers and lamps of the house count too."),
        "controller": Said("Controller or Wi-Fi on it", "It goes dark with the circuit."),
        "wet": Said("Loads in the wet", "Outdoors, on grass, in the rain."),
    },
    power.Supply: {
        "id": Said("Id", "Short and plain."),
        "kind": Said("Kind", "A free word: dc, air for a compressor, fog for a fogger."),
        "circuit": Said("Circuit", "Where its plug goes."),
        "volts": Said("Voltage", "What it gives."),
        "limit_a": Said("Current at most", "What it can give; starts beyond it wait."),
        "fuse_a": _FUSE,
        "load_w": Said("Takes from the mains", "A compressor's or fogger's plate says."),
    },
    power.Regulator: {
        "id": Said("Name", "As boards name it."),
        "kind": Said("Kind", "Linear ones turn the difference into heat."),
        "output_v": Said("Output", "What it gives."),
        "input_min_v": _INPUT_MIN,
        "input_max_v": _INPUT_MAX,
        "limit_ma": Said("Current at most", "From the data sheet."),
        "dropout_v": Said("Dropout", "How much more it needs than it gives."),
        "theta_k_w": _THETA,
    },
    power.Driver: {
        "id": Said("Name", "As boards name it."),
        "kind": Said("Kind", "Bipolar ones drop volts, MOSFETs have ohms."),
        "input_min_v": _INPUT_MIN,
        "input_max_v": _INPUT_MAX,
        "limit_a": Said("Current, steady", "From the data sheet, not from the shop."),
        "peak_a": Said("Current, peak", "For the instant in which a motor starts."),
        "drop_v": Said("Drop", "Bipolar: the sum of both ways at the steady current."),
        "ohm": Said("Resistance", "MOSFET: the sum of both ways."),
        "theta_k_w": _THETA,
    },
    power.Wire: {
        "length_m": Said("Length", "The run, not out and back."),
        "awg": Said("Gauge", "AWG, 0 to 30; or the area instead."),
        "area_mm2": Said("Area", "Or the gauge instead."),
    },
    power.Battery: {
        "chemistry": Said("Chemistry", "Charge lithium attended, on a fireproof surface."),
        "series": Said("Cells in series", "2 for a 7.4 V lithium pack."),
        "parallel": Said("Cells in parallel", "Usually 1."),
        "capacity_mah": Said("Capacity, printed", "Of one cell."),
        "measured_mah": Said("Capacity, measured", "What a charger that counts took out. Better."),
        "rate_h": Said("Rated at", "Lead-acid: over how many hours."),
        "peukert": Said("Peukert exponent", "Lead-acid: from its data sheet; 1.1 to 1.3."),
        "resistance_mohm": Said("Inner resistance", "Of the whole pack."),
        "fuse_a": _FUSE,
    },
    m.Board: {
        "id": Said("Id", "The board signs in under it: tell the board too when it changes."),
        "model": Said("Model", "esp32 or rp2040: its pins are then checked."),
        "place": _PLACE,
        "x_m": _X,
        "y_m": _Y,
        "supply": Said("Supply", "A shared one; or a battery of its own."),
        "battery": Said("Battery", "A pack of its own; or a shared supply."),
        "pins": Said("Pins", "One a line, by the id of a sensor or a prop: gate-pir = 27."),
        "regulator": Said("Regulator", "A name from the list, or of a known part."),
        "driver": Said("Driver", "A name from the list, or of a known part."),
        "idle_ma": Said("Current, idle", "Wi-Fi on, nothing playing; ten minutes' mean."),
        "input_min_v": Said("Carrier's input at least", "As printed where the pack comes in."),
        "input_max_v": Said("Carrier's input at most", "As printed where the pack comes in."),
        "wire": Said("Wire", "From the pack or supply to the board."),
        "inputs": Said("Pins that are inputs", "Their names, one a line."),
        "analog": Said("Pins that measure", "Their names, one a line."),
        "stop_states": Said("Outputs at a stop", "One a line: arm = home, eyes = off, path = on."),
    },
    m.Sensor: {
        "id": Said("Id", "As the board's own file names it."),
        "board": Said("Board", "What it is wired to."),
        "kind": Said("Kind", "A PIR sees warm people who move across it."),
        "place": _PLACE,
        "x_m": _X,
        "y_m": _Y,
        "warm_up_s": Said("Warm-up", "Ignored for so long after power-on; a PIR needs 40 s."),
        "block_s": Said("Block time", "One group, one motion: ignored for so long after one."),
        "lull_s": Said("Re-arm after clear", "Nobody there for so long before it counts again."),
        "lull_max_s": Said("Re-arm anyway after", "So that a steady crowd does not silence it."),
        "sees": Said("Sees these props", "Its motions are ignored while one of them plays."),
        "settle_s": Said("Settles", "How long after such a prop it is still ignored."),
        "fresh_s": Said("Still there", "A waiting start needs a motion as young as this."),
        "action": Said("Does", "What a press or motion is for; stop is for buttons."),
        "aim_deg": Said("Looks towards", "0 is along the path, 90 across it."),
        "range_m": Said("Reach", "A PIR reaches farther on cold nights."),
    },
    m.Idle: {
        "tracks": _TRACKS,
        "average_ma": _AVERAGE,
        "level_dba": Said("Level", _LEVEL),
        "flash_hz": _FLASH,
    },
    m.Behaviour: {
        "id": Said("Id", "Short: growl, whisper."),
        "duration_s": Said("Lasts", "From start to end."),
        "motor_on_s": Said("Motor runs", "For how much of it."),
        "intensity": Said("Intensity", "1 is for the smallest, 5 a startle."),
        "level_dba": Said("Level", _LEVEL),
        "flash_hz": _FLASH,
        "peak_ma": Said("Current, peak", "Its highest instant, over idle."),
        "average_ma": _AVERAGE,
        "weight": Said("Weight", "How often it is picked beside others; 0 only by name."),
        "voice": Said("It speaks", "Then only one within the radius does."),
        "patience_s": Said("Too late after", _PATIENCE),
        "lead_ms": Said("Lead", "Silence before the first sound or move."),
        "lines": Said("Lines", "What it says, one a line; [4] before it: of intensity 4."),
        "tracks": _TRACKS,
    },
    power.Motor: {
        "volts": Said("Voltage", "From its plate."),
        "running_ma": Said("Current, running", "With the real load."),
        "stall_ma": Said("Current, stalled", "Supply volts over the winding's ohms, at rest."),
        "rail": Said("Hangs on", "Logic: the supply of the microcontroller. Better the pack."),
    },
    power.Speaker: {
        "watts": Said("Power of one driver", "As its data say."),
        "ohms": Said("Impedance of one driver", "4 or 8."),
        "drivers": Said("Drivers", "How many."),
        "wiring": Said("Wired", "Parallel halves the ohms, series doubles them."),
        "sensitivity_db": Said("Sensitivity", "At 1 W and 1 m."),
        "amplifier_w": Said("Amplifier", "Its power into the ohms beside."),
        "amplifier_ohm": Said("Amplifier rated into", "The load its power is given for."),
    },
    m.Point: {"x_m": _X, "y_m": _Y},
    m.Prop: {
        "id": Said("Id", "Short: a-z, 0-9 and -."),
        "board": Said("Board", "What drives it."),
        "name": Said("Name", "As the crew says it."),
        "place": _PLACE,
        "x_m": _X,
        "y_m": _Y,
        "cooldown_s": Said("Cooldown", "Rest after a behaviour ends."),
        "hourly_cap": Said("Starts an hour at most", "Empty: no limit."),
        "duty": Said("Motor's duty", "0.25: it may run a quarter of any ten minutes."),
        "priority": Said("Priority", "The higher goes first when two wait."),
        "patience_s": Said("Too late after", _PATIENCE),
        "arm_by_hand": Said("Armed by hand", "It could hurt: a person releases it, by sight."),
        "view": Said("Field of view", "Props with the same word are seen together (flashes)."),
        "retire_percent": Said("Rests for good below", "Charge of the pack."),
        "stretch_percent": Said("Rests longer below", "Charge of the pack."),
        "alone": Said(
            "Plays alone", "This behaviour, light and sound only, while no controller is heard."
        ),
        "stretch_factor": Said("Then rests times", "2 doubles the cooldown."),
        "cut_off": Said("Its own switch", "Where its power is cut; a must if armed by hand."),
        "scare_spot": Said("Scare spot", "Where people stand when it startles them."),
        "motor": Said("Motor", "For the sums over driver, pack and heat."),
        "speaker": Said("Speaker", "For the sums over level and amplifier."),
        "idle": Said("Idle", "What runs whenever nothing else does."),
        "behaviour": Said("Behaviours", "What it can do; at least one."),
    },
    m.Link: {
        "sensor": Said("Sensor", "Whose motion counts."),
        "prop": Said("Prop", "What it sets off."),
        "distance_m": Said("Walk", "From the sensor to the prop, at walking speed."),
        "delay_s": Said("Delay", "In place of the walk; it wins over it."),
        "after": Said("Only after", "A sensor passed before: keeps out people who leave."),
        "within_s": Said("Within", "How long ago that may be."),
    },
    m.TimetableRow: {
        "prop": Said("Prop", "What starts."),
        "behaviour": Said("Behaviour", "One of that prop; empty: picked by weight."),
        "at": Said("At", "18:00, or sunset+00:20. Or every so often instead."),
        "every_s": Said("Every", "Between these two, or the first alone; 60 s at least."),
        "from": Said("From", "Only from then on."),
        "to": Said("To", "Only until then."),
        "only_after_motion_s": Said("Only if somebody came", "Within so long."),
        "only_after_quiet_s": Said("Only if nobody came", "For so long."),
    },
    m.Hazard: {
        "kind": Said("Kind", "Startled people jump back 1 to 2 m."),
        "x_m": _X,
        "y_m": _Y,
    },
}

UNITS: Final = (
    ("_m_s", "m/s"),
    ("_k_w", "K/W"),
    ("_per_hour", "an hour"),
    ("_mohm", "mΩ"),
    ("_percent", "%"),
    ("_mah", "mAh"),
    ("_dba", "dBA"),
    ("_mm2", "mm²"),
    ("_min", "min"),
    ("_deg", "°"),
    ("_ohm", "Ω"),
    ("_ms", "ms"),
    ("_ma", "mA"),
    ("_db", "dB"),
    ("_hz", "Hz"),
    ("_m", "m"),
    ("_s", "s"),
    ("_a", "A"),
    ("_v", "V"),
    ("_w", "W"),
    ("_c", "°C"),
    ("_h", "h"),
)
"""Of keys by their ends, the longest first."""

UNIT_OF: Final = {
    "volts": "V",
    "watts": "W",
    "ohms": "Ω",
    "ohm": "Ω",
    "latitude": "°",
    "longitude": "°",
}
"""Of keys that are the unit themselves."""


def unit_of(key: str) -> str:
    """The unit that a key says at its end; empty for one without."""
    found = UNIT_OF.get(key)
    return found or next((unit for end, unit in UNITS if key.endswith(end)), "")


def said(model: type[BaseModel], key: str) -> Said:
    return WORDS[model][key]
