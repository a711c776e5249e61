"""The rules, one function each, and the table that fixes their order, kind and reason.

A test gives PASSES, or a whole number: for a *never* rule the margin it decided by (in the unit
beside it), for a *clears* rule the instant at which it clears. Rules read the night and change
nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from haunt.core.calendar import Piece
from haunt.core.night import PASSES, Item, Night, Prop, Sensor
from haunt.core.plays import DUTY_WINDOW_MS, HOUR_MS, on_time_since
from haunt.core.show import Behaviour

FOR_EVER = 1 << 60
EXTENSION_LASTS_MS = 18 * 3_600_000
WARMING_RESETS = frozenset({"power-on", "brown-out", "unknown"})


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


SensorTest = Callable[[Night, Sensor, int], int]
PropTest = Callable[[Night, Prop, Item], int]
BehaviourTest = Callable[[Night, Prop, Behaviour, int], bool]


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


# --- sensor rules: `happened` is when the motion happened on the steady clock


def muted(night: Night, sensor: Sensor, _happened: int) -> int:
    if not sensor.muted:
        return PASSES
    until = sensor.muted_until_ms
    if until is None:
        return 0
    return until - night.now_ms if until > night.now_ms else PASSES


def warming_up(_night: Night, sensor: Sensor, happened: int) -> int:
    board = sensor.board
    if not sensor.spec.warm_up_ms or board.reset not in WARMING_RESETS or not board.boot:
        return PASSES
    left = board.booted_ms + sensor.spec.warm_up_ms - happened
    return left if left > 0 else PASSES


def block_time(_night: Night, sensor: Sensor, happened: int) -> int:
    """Order of delivery does not matter: a report just before the accepted one is the same."""
    last = sensor.last_accepted_ms
    if last is None or abs(happened - last) >= sensor.spec.block_ms:
        return PASSES
    return last + sensor.spec.block_ms - happened


def lingering(_night: Night, sensor: Sensor, happened: int) -> int:
    lull, since = sensor.spec.lull_ms, sensor.lull_from_ms
    if lull is None or since is None or happened - since >= lull:
        return PASSES
    accepted = sensor.last_accepted_ms
    if accepted is None or happened - accepted >= sensor.spec.lull_max_ms:
        return PASSES
    return min(since + lull, accepted + sensor.spec.lull_max_ms) - happened


def wrong_way(after: Sensor, within_ms: int, happened: int) -> int:
    """Refuse people who came the other way. This one is judged link by link."""
    if any(0 <= happened - seen <= within_ms for seen in after.recent_ms):
        return PASSES
    return 0


def self_trigger(_night: Night, sensor: Sensor, happened: int) -> int:
    worst = PASSES
    for prop in sensor.sees:
        play = prop.play
        if play is not None and play.started_ms <= happened:
            return play.busy_until_ms + sensor.spec.settle_ms - happened
        ended, started = prop.last_end_ms, prop.last_start_ms
        if ended is None or started is None or happened < min(started, ended):
            continue
        worst = max(worst, ended + sensor.spec.settle_ms - happened - 1)
    return worst + 1 if worst > PASSES else PASSES


# --- never rules of prop and show


def stale(_night: Night, _prop: Prop, item: Item) -> int:
    """Judged on arrival: patience had run out before the motion came."""
    return item.late_ms


def stopped(night: Night, _prop: Prop, item: Item) -> int:
    """Also what happened before a release had counted to its end."""
    if night.stopped:
        return 0
    if item.sensor is not None and item.happened_ms < night.released_ms:
        return 0
    return PASSES


def walk_test(night: Night, _prop: Prop, item: Item) -> int:
    return 0 if night.walk_test and not item.hands_clear else PASSES


def doors_open(night: Night) -> bool:
    if night.doors == "open":
        return True
    if night.doors != "timetable":
        return False
    wall = night.wall_ms
    if night.calendar.piece(wall).open:
        return True
    more = extension_ms(night)
    return more > 0 and night.calendar.piece(wall - more).open


def extension_ms(night: Night) -> int:
    """Return by how much this night's closing is put off; it is not the next night's."""
    if not night.extend_ms or night.wall_ms - night.extended_wall_ms > EXTENSION_LASTS_MS:
        return 0
    return night.extend_ms


def closed(night: Night, _prop: Prop, _item: Item) -> int:
    return PASSES if doors_open(night) else 0


def held(night: Night, prop: Prop, _item: Item | None) -> int:
    if not prop.held:
        return PASSES
    if prop.held_until_ms is None:
        return 0
    left = prop.held_until_ms - night.now_ms
    return left if left > 0 else PASSES


def locked_out(_night: Night, prop: Prop, _item: Item | None) -> int:
    return 0 if prop.locked_by else PASSES


def out_of_service(_night: Night, prop: Prop, _item: Item | None) -> int:
    return 0 if prop.out_of_service else PASSES


def offline(night: Night, prop: Prop, _item: Item) -> int:
    board = prop.board
    if board.here:
        return PASSES
    return night.now_ms - board.gone_ms if board.gone_ms is not None else 0


def no_link(night: Night, _prop: Prop, _item: Item) -> int:
    return PASSES if night.link_up else 0


def low_battery(_night: Night, prop: Prop, _item: Item | None) -> int:
    if not prop.retired:
        return PASSES
    charge, retire = prop.board.charge_percent, prop.spec.retire_percent
    return max(0, retire - charge) if charge is not None and retire is not None else 0


def already_waiting(_night: Night, prop: Prop, item: Item) -> int:
    return PASSES if prop.waiting is None or prop.waiting is item else 0


# --- clears rules of prop and show


def playing(night: Night, prop: Prop, _item: Item) -> int:
    if prop.play is None:
        return PASSES
    return prop.play.busy_until_ms + cooldown_ms(night, prop)


def cooldown(night: Night, prop: Prop, _item: Item) -> int:
    if prop.last_end_ms is None or prop.play is not None:
        return PASSES
    until = prop.last_end_ms + cooldown_ms(night, prop)
    return until if until > night.now_ms else PASSES


def hourly_cap(night: Night, prop: Prop, _item: Item) -> int:
    cap = prop.spec.hourly_cap
    if cap is None:
        return PASSES
    if cap <= 0:
        return FOR_EVER
    starts = prop.starts_ms
    if len(starts) < cap or starts[-cap] <= night.now_ms - HOUR_MS:
        return PASSES
    return starts[-cap] + HOUR_MS


def stagger(night: Night, prop: Prop, _item: Item) -> int:
    """A neighbour started less than the gap ago, or its claim comes before this prop's turn."""
    gap, now = night.show.gap_ms, night.now_ms
    until = PASSES
    if not gap:
        return until  # claims of before the show said so mean nothing
    for other in prop.neighbours:
        ends = gap_ends_ms(other, gap)
        if ends > now:
            until = max(until, ends)
        if comes_before(other, prop, now):
            until = max(until, min(other.claim_until_ms, now + gap))
    return until


def in_gap(prop: Prop, gap_ms: int, now_ms: int) -> bool:
    return any(gap_ends_ms(each, gap_ms) > now_ms for each in prop.neighbours)


def gap_ends_ms(other: Prop, gap_ms: int) -> int:
    return PASSES if other.last_start_ms is None else other.last_start_ms + gap_ms


def comes_before(other: Prop, prop: Prop, now_ms: int) -> bool:
    """Say whether a neighbour holds a claim, and this prop started more recently than it."""
    mine, its = prop.last_start_ms, other.last_start_ms
    return other.claim_until_ms > now_ms and mine is not None and (its is None or its < mine)


# --- rules about one behaviour; each answers "is this one barred at this instant?"


def audience(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    piece = night.calendar.piece(at_ms + night.offset_ms)
    intensity, flash = piece.max_intensity, piece.max_flash_mhz
    if night.hand_phase_until_ms > at_ms:
        by_hand = hand_limits(night)
        intensity, flash = min(intensity, by_hand[0]), min(flash, by_hand[1])
    return too_strong(behaviour, intensity, flash)


def too_strong(behaviour: Behaviour, intensity_max: int, flash_max_mhz: int) -> bool:
    return behaviour.intensity > intensity_max or behaviour.flash_mhz > flash_max_mhz


def quiet_hours(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    """At the start and at the planned end, so that nothing plays into the silence."""
    start, piece = at_ms + night.offset_ms, night.calendar.piece
    ends = start + behaviour.duration_ms
    return too_loud(piece(ends), behaviour) or too_loud(piece(start), behaviour)


def too_loud(piece: Piece, behaviour: Behaviour) -> bool:
    """A behaviour that does not say how loud it is counts as too loud."""
    if not piece.quiet:
        return False
    level, most = behaviour.level_dba, piece.quiet_dba
    return most is None or level is None or level > most


def plays_past_closing(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    """`closed` at the planned end. Doors opened by hand have no planned end."""
    if night.doors != "timetable":
        return False
    end = at_ms + night.offset_ms + behaviour.duration_ms
    if night.calendar.piece(end).open:
        return False
    more = extension_ms(night)
    return not (more > 0 and night.calendar.piece(end - more).open)


def duty(_night: Night, prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    """IEC 60034-1 S3 by convention: on-time in the ten minutes that end with this behaviour."""
    if prop.spec.duty_permille is None or not behaviour.motor_on_ms:
        return False
    budget = prop.spec.duty_permille * DUTY_WINDOW_MS // 1000
    used = on_time_since(prop, at_ms + behaviour.duration_ms - DUTY_WINDOW_MS)
    return used + behaviour.motor_on_ms > budget


def talk_over(_night: Night, prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
    if not behaviour.voice:
        return False
    for other in prop.voice_neighbours:
        play = other.play
        if play is not None and play.behaviour.voice and play.busy_until_ms > at_ms:
            return True
    return False


def _over(reason: str) -> BehaviourTest:
    def test(night: Night, _prop: Prop, behaviour: Behaviour, at_ms: int) -> bool:
        for index, amount in behaviour.draws:
            load = night.loads[index]
            if load.spec.reason == reason and load.over(amount, at_ms, night.now_ms):
                return True
        return False

    return test


supply, flash, sound_limit = _over("supply"), _over("flash"), _over("sound-limit")


# --- what stretches a cooldown

GENTLE = (2, 0, 1000)
"""Intensity, flash (mHz) and cooldown per mille of a phase by hand that the show does not name."""


def hand_limits(night: Night) -> tuple[int, int, int]:
    """Limits of the phase switched on by hand."""
    for phase in night.show.calendar.phases:
        if phase.name == night.hand_phase:
            intensity = phase.max_intensity if phase.max_intensity is not None else FOR_EVER
            flash_mhz = phase.max_flash_mhz if phase.max_flash_mhz is not None else FOR_EVER
            return intensity, flash_mhz, phase.cooldown_permille
    return GENTLE


def cooldown_ms(night: Night, prop: Prop) -> int:
    """Rest by the settings of this moment: battery and phase factors multiply."""
    spec = prop.spec
    rest = spec.cooldown_ms
    phase = night.piece().cooldown_permille
    if night.hand_phase_until_ms > night.now_ms:
        by_hand = hand_limits(night)[2]
        phase = max(phase, by_hand) if night.piece().phases else by_hand
    if phase != 1000:
        rest = rest * phase // 1000
    charge = prop.board.charge_percent
    if spec.stretch_percent is not None and charge is not None and charge < spec.stretch_percent:
        rest = rest * spec.stretch_permille // 1000
    return max(rest, prop.spread_ms)


def _number(*rules: Rule) -> tuple[Rule, ...]:
    return tuple(
        Rule(
            rule.reason,
            rule.scope,
            rule.kind,
            rule.meaning,
            rule.unit,
            rule.sensor_test,
            rule.prop_test,
            rule.behaviour_test,
            rule.hand_overrules,
            order,
        )
        for order, rule in enumerate(rules)
    )


_N, _C = Kind.NEVER, Kind.CLEARS
_SENSOR, _PROP, _SHOW = Scope.SENSOR, Scope.PROP, Scope.SHOW

RULES: tuple[Rule, ...] = _number(
    Rule("unknown-sensor", _SENSOR, _N, "The sensor is not in the inventory.", Unit.NONE),
    Rule("muted", _SENSOR, _N, "A person silenced the sensor.", sensor_test=muted),
    Rule(
        "warming-up",
        _SENSOR,
        _N,
        "The sensor's board was powered up less than the sensor's warm-up ago.",
        sensor_test=warming_up,
    ),
    Rule(
        "block-time",
        _SENSOR,
        _N,
        "The sensor had an accepted motion less than its block time ago.",
        sensor_test=block_time,
    ),
    Rule(
        "lingering",
        _SENSOR,
        _N,
        "The same group is still in front of the sensor.",
        sensor_test=lingering,
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
        sensor_test=self_trigger,
    ),
    Rule("no-prop", _SENSOR, _N, "The sensor has no links.", Unit.NONE),
    Rule(
        "stale",
        _PROP,
        _N,
        "The motion arrived after the visitor's patience had run out.",
        Unit.MS_LATE,
        prop_test=stale,
    ),
    Rule("stopped", _SHOW, _N, "Stop is latched.", Unit.NONE, prop_test=stopped),
    Rule("walk-test", _SHOW, _N, "Walk test is on.", Unit.NONE, prop_test=walk_test),
    Rule(
        "closed",
        _SHOW,
        _N,
        "Outside the night's opening, or it would play past its end.",
        Unit.NONE,
        prop_test=closed,
        hand_overrules=True,
    ),
    Rule("held", _PROP, _N, "The prop is on hold.", prop_test=held),
    Rule("locked-out", _PROP, _N, "Somebody is working on the prop.", Unit.NONE, None, locked_out),
    Rule(
        "out-of-service", _PROP, _N, "Taken out for a fault.", Unit.NONE, prop_test=out_of_service
    ),
    Rule("offline", _PROP, _N, "The prop's board is not present.", Unit.MS_LATE, None, offline),
    Rule("no-link", _SHOW, _N, "The controller has no broker.", Unit.NONE, prop_test=no_link),
    Rule(
        "low-battery",
        _PROP,
        _N,
        "Charge at rest is below the level at which the prop retires.",
        Unit.PERCENT_UNDER,
        prop_test=low_battery,
    ),
    Rule(
        "already-waiting",
        _PROP,
        _N,
        "Another trigger waits for this prop.",
        Unit.NONE,
        prop_test=already_waiting,
        hand_overrules=True,
    ),
    Rule("playing", _PROP, _C, "A behaviour is running.", prop_test=playing),
    Rule("cooldown", _PROP, _C, "The prop rests.", prop_test=cooldown, hand_overrules=True),
    Rule(
        "hourly-cap",
        _PROP,
        _C,
        "It started as often as allowed within the last hour.",
        prop_test=hourly_cap,
        hand_overrules=True,
    ),
    Rule(
        "duty",
        _PROP,
        _C,
        "The motor's share of on-time in ten minutes would be passed.",
        behaviour_test=duty,
    ),
    Rule(
        "audience",
        _SHOW,
        _N,
        "No behaviour is gentle enough for the phase.",
        Unit.NONE,
        behaviour_test=audience,
    ),
    Rule(
        "quiet-hours",
        _SHOW,
        _N,
        "No behaviour is quiet enough for the quiet hours.",
        Unit.NONE,
        behaviour_test=quiet_hours,
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
        behaviour_test=talk_over,
    ),
    Rule(
        "supply",
        _SHOW,
        _C,
        "The shared supply's current limit would be passed.",
        behaviour_test=supply,
    ),
    Rule(
        "flash",
        _SHOW,
        _C,
        "Flashes seen together would pass the limit in some second.",
        behaviour_test=flash,
    ),
    Rule(
        "sound-limit",
        _SHOW,
        _C,
        "The level at the property line would pass its limit.",
        behaviour_test=sound_limit,
    ),
)

RULE = {rule.reason: rule for rule in RULES}
CLOSED_AT_END = RULE["closed"]
SENSOR_RULES = tuple(rule for rule in RULES if rule.sensor_test is not None)
NEVER_RULES = tuple(r for r in RULES if r.prop_test is not None and r.kind is Kind.NEVER)
CLEARS_RULES = tuple(r for r in RULES if r.prop_test is not None and r.kind is Kind.CLEARS)
NARROWING_NEVER = tuple(r for r in RULES if r.behaviour_test is not None and r.kind is Kind.NEVER)
NARROWING_CLEARS = tuple(r for r in RULES if r.behaviour_test is not None and r.kind is Kind.CLEARS)
ENDINGS = {
    "left": "The group had gone when the prop was free.",
    "restart": "The controller was restarting while the motion waited.",
}
"""Reasons of a lapse that no rule gives."""
