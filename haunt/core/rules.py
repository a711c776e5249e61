"""The table of rules: it fixes their order, kind, reason and meaning, and which function asks.

The functions stand in `sensorrules`, `proprules`, `turns` and `behaviourrules`. A test gives
PASSES, or a whole number: for a *never* rule the margin it decided by (in the unit beside it), for
a *clears* rule the instant at which it clears. Rules read the night and change nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from haunt.core import behaviourrules, proprules, sensorrules
from haunt.core.behaviourrules import BehaviourTest
from haunt.core.night import Item, Night, Prop, Sensor
from haunt.core.turns import stagger

SensorTest = Callable[[Night, Sensor, int], int]
PropTest = Callable[[Night, Prop, Item], int]


class Kind(StrEnum):
    NEVER = "never"
    CLEARS = "clears"


class Scope(StrEnum):
    SENSOR = "sensor"
    PROP = "prop"
    SHOW = "show"


class Unit(StrEnum):
    """What a decision's margin counts."""

    NONE = ""
    MS_LEFT = "ms left"
    MS_LATE = "ms late"
    PERCENT_UNDER = "percent under"


@dataclass(frozen=True, slots=True)
class Rule:
    """One row. Exactly one of the tests is set, save where the arbiter itself applies the rule."""

    reason: str
    scope: Scope
    kind: Kind
    meaning: str
    unit: Unit = Unit.MS_LEFT
    sensor_test: SensorTest | None = None
    prop_test: PropTest | None = None
    behaviour_test: BehaviourTest | None = None
    hand_overrules: bool = False
    order: int = 0


_N, _C = Kind.NEVER, Kind.CLEARS
_SENSOR, _PROP, _SHOW = Scope.SENSOR, Scope.PROP, Scope.SHOW

_TABLE = (
    Rule("unknown-sensor", _SENSOR, _N, "The sensor is not in the inventory.", Unit.NONE),
    Rule("muted", _SENSOR, _N, "A person silenced the sensor.", sensor_test=sensorrules.muted),
    Rule(
        "warming-up",
        _SENSOR,
        _N,
        "The sensor's board was powered up less than the sensor's warm-up ago.",
        sensor_test=sensorrules.warming_up,
    ),
    Rule(
        "block-time",
        _SENSOR,
        _N,
        "The sensor had an accepted motion less than its block time ago.",
        sensor_test=sensorrules.block_time,
    ),
    Rule(
        "lingering",
        _SENSOR,
        _N,
        "The same group is still in front of the sensor.",
        sensor_test=sensorrules.lingering,
    ),
    Rule(
        "wrong-way",
        _SENSOR,
        _N,
        "The sensor before it on the path saw nobody: people leaving, or nobody at all.",
        Unit.NONE,
    ),
    Rule(
        "self-trigger",
        _SENSOR,
        _N,
        "The sensor sees a prop that plays, or ended a moment ago.",
        sensor_test=sensorrules.self_trigger,
    ),
    Rule("no-prop", _SENSOR, _N, "The sensor has no links.", Unit.NONE),
    Rule(
        "stale",
        _PROP,
        _N,
        "The motion arrived after the visitor's patience had run out.",
        Unit.MS_LATE,
        prop_test=proprules.stale,
    ),
    Rule("stopped", _SHOW, _N, "Stop is latched.", Unit.NONE, prop_test=proprules.stopped),
    Rule("walk-test", _SHOW, _N, "Walk test is on.", Unit.NONE, prop_test=proprules.walk_test),
    Rule(
        "closed",
        _SHOW,
        _N,
        "Outside the night's opening, or it would play past its end.",
        Unit.NONE,
        prop_test=proprules.closed,
        hand_overrules=True,
    ),
    Rule("held", _PROP, _N, "The prop is on hold.", prop_test=proprules.held),
    Rule(
        "locked-out",
        _PROP,
        _N,
        "Somebody is working on the prop.",
        Unit.NONE,
        prop_test=proprules.locked_out,
    ),
    Rule(
        "out-of-service",
        _PROP,
        _N,
        "Taken out for a fault.",
        Unit.NONE,
        prop_test=proprules.out_of_service,
    ),
    Rule(
        "offline",
        _PROP,
        _N,
        "The prop's board is not present.",
        Unit.MS_LATE,
        prop_test=proprules.offline,
    ),
    Rule(
        "no-link",
        _SHOW,
        _N,
        "The controller has no broker.",
        Unit.NONE,
        prop_test=proprules.no_link,
    ),
    Rule(
        "low-battery",
        _PROP,
        _N,
        "Charge at rest is below the level at which the prop retires.",
        Unit.PERCENT_UNDER,
        prop_test=proprules.low_battery,
    ),
    Rule(
        "already-waiting",
        _PROP,
        _N,
        "Another trigger waits for this prop.",
        Unit.NONE,
        prop_test=proprules.already_waiting,
        hand_overrules=True,
    ),
    Rule("playing", _PROP, _C, "A behaviour is running.", prop_test=proprules.playing),
    Rule(
        "cooldown", _PROP, _C, "The prop rests.", prop_test=proprules.cooldown, hand_overrules=True
    ),
    Rule(
        "hourly-cap",
        _PROP,
        _C,
        "It started as often as allowed within the last hour.",
        prop_test=proprules.hourly_cap,
        hand_overrules=True,
    ),
    Rule(
        "duty",
        _PROP,
        _C,
        "The motor's share of on-time in ten minutes would be passed.",
        behaviour_test=behaviourrules.duty,
    ),
    Rule(
        "audience",
        _SHOW,
        _N,
        "No behaviour is gentle enough for the phase.",
        Unit.NONE,
        behaviour_test=behaviourrules.audience,
    ),
    Rule(
        "quiet-hours",
        _SHOW,
        _N,
        "No behaviour is quiet enough for the quiet hours.",
        Unit.NONE,
        behaviour_test=behaviourrules.quiet_hours,
    ),
    Rule(
        "stagger",
        _SHOW,
        _C,
        "A neighbour started less than the gap ago, or it is a neighbour's turn.",
        prop_test=stagger,
        hand_overrules=True,
    ),
    Rule(
        "talk-over",
        _SHOW,
        _C,
        "A prop close by is speaking and so would this one.",
        behaviour_test=behaviourrules.talk_over,
    ),
    Rule(
        "supply",
        _SHOW,
        _C,
        "The shared supply's current limit would be passed.",
        behaviour_test=behaviourrules.supply,
    ),
    Rule(
        "flash",
        _SHOW,
        _C,
        "Flashes seen together would pass the limit in some second.",
        behaviour_test=behaviourrules.flash,
    ),
    Rule(
        "sound-limit",
        _SHOW,
        _C,
        "The level at the property line would pass its limit.",
        behaviour_test=behaviourrules.sound_limit,
    ),
)

RULES = tuple(replace(rule, order=order) for order, rule in enumerate(_TABLE))
RULE = {rule.reason: rule for rule in RULES}
SENSOR_RULES = tuple((r, r.sensor_test) for r in RULES if r.sensor_test is not None)
_OF_PROPS = tuple((r, r.prop_test) for r in RULES if r.prop_test is not None)
NEVER_RULES = tuple(each for each in _OF_PROPS if each[0].kind is _N)
CLEARS_RULES = tuple(each for each in _OF_PROPS if each[0].kind is _C)
_NARROWING = tuple((r, r.behaviour_test) for r in RULES if r.behaviour_test is not None)
NARROWING_NEVER = tuple(each for each in _NARROWING if each[0].kind is _N)
NARROWING_CLEARS = tuple(each for each in _NARROWING if each[0].kind is _C)
ENDINGS = {
    "left": "The group had gone when the prop was free.",
    "restart": "The controller was restarting while the motion waited.",
}
"""Reasons of a lapse that no rule gives."""
