"""What bars a prop at an instant, rule by rule, and when each bar clears.

Nothing changes here but who claims the next turn.
"""

from dataclasses import dataclass, field

from haunt.core import events
from haunt.core.decisions import MotionKey, Source
from haunt.core.show import Behaviour, PropSpec
from tests.model.past import FOREVER, Past, Play

HOUR_MS, WINDOW_MS = 3_600_000, 600_000
CLEARING = (
    "playing",
    "cooldown",
    "hourly-cap",
    "duty",
    "stagger",
    "talk-over",
    "supply",
    "flash",
    "sound-limit",
)
OVERRULED = ("closed", "already-waiting", "cooldown", "hourly-cap", "stagger")


@dataclass(slots=True)
class Item:
    """One motion for one prop, or an order. `look_at` is when it is judged next."""

    prop: str
    source: Source
    due: int
    look_at: int
    number: int
    cue: str
    wanted: str | None = None
    motion: MotionKey | None = None
    sensor: str | None = None
    happened: int = FOREVER
    late: int = 0
    waits: bool = False
    hands_clear: bool = False


@dataclass(slots=True)
class Bar:
    """What bars an item; `clears` None: no waiting helps. Nothing bars when the reason is None."""

    reason: str | None
    clears: int | None = None
    margin: int | None = None
    allowed: tuple[Behaviour, ...] = ()
    patience: int = 0


@dataclass(slots=True)
class Bars(Past):
    items: list[Item] = field(default_factory=list)

    def bar(self, spec: PropSpec, item: Item) -> Bar:
        hand = item.source is Source.HAND
        for reason, (barred, margin) in self._nevers(spec, item).items():
            if barred and not (hand and reason in OVERRULED):
                return Bar(reason, margin=margin or None)
        allowed, roughness = self._gentle(spec, item)
        if roughness is not None:
            return Bar(roughness)
        patience = max(each.patience_ms for each in allowed)
        if item.source is Source.MOTION:  # a startle that comes late hits nobody
            allowed = [e for e in allowed if self.now <= item.due + e.patience_ms]
        clears = self._clears(spec)
        fallen = [self._fall(spec, each, self.now) for each in allowed]
        fit = tuple(e for e, why in zip(allowed, fallen, strict=True) if why is None)
        if allowed and not fit:
            named = max((why for why in fallen if why is not None), key=CLEARING.index)
            clears[named] = self._room_at(spec, allowed)
        clears = {why: at for why, at in clears.items() if not (hand and why in OVERRULED)}
        if clears:
            reason = max(clears, key=lambda why: (clears[why], -CLEARING.index(why)))
            return Bar(reason, clears[reason], patience=patience)
        if not allowed:
            return Bar("stale", FOREVER, self.now - item.due - patience, patience=patience)
        return Bar(None, allowed=fit)

    # what never passes

    def _nevers(self, spec: PropSpec, item: Item) -> dict[str, tuple[bool, int]]:
        early = item.happened < self.released_at()
        held, gone = self.held_until(spec.id), self.gone_since(spec.board)
        others = [e for e in self.items if e.prop == spec.id and e.waits and e is not item]
        charge = self.charge(spec.board)
        under = 0 if charge is None else max(0, (spec.retire_percent or 0) - charge)
        return {
            "stale": (item.late > 0, item.late),
            "stopped": (self.stopped_until() > 0 or early, 0),
            "walk-test": (self.is_walk_test() and not item.hands_clear, 0),
            "closed": (not self.is_open(self.now), 0),
            "held": (held > self.now, held - self.now if held < FOREVER else 0),
            "locked-out": (self.is_marked(spec.id, events.LockedOut), 0),
            "out-of-service": (self.is_marked(spec.id, events.ServiceChanged), 0),
            "offline": (gone is not None, self.now - gone if gone else 0),
            "no-link": (not self.link_is_up(), 0),
            "low-battery": (self.is_retired(spec.id), under),
            "already-waiting": (bool(others), 0),
        }

    def _gentle(self, spec: PropSpec, item: Item) -> tuple[list[Behaviour], str | None]:
        """Return the behaviours that no never rule bars, or the rule that left none."""
        left = [each for each in spec.behaviours if item.wanted in (None, each.id)]
        if item.source is not Source.HAND:
            left = [each for each in left if self.is_open(self.now + each.duration_ms)]
        if not left:
            return [], "closed"
        left = [each for each in left if not self._is_rough(each)]
        if not left:
            return [], "audience"
        for at in (0, 1):
            left = [e for e in left if not self.is_hushed(e, self.now + at * e.duration_ms)]
        return left, None if left else "quiet-hours"

    def _is_rough(self, behaviour: Behaviour) -> bool:
        for phase in self.phases(self.now):
            if phase.max_intensity is not None and behaviour.intensity > phase.max_intensity:
                return True
            if phase.max_flash_mhz is not None and behaviour.flash_mhz > phase.max_flash_mhz:
                return True
        return False

    # what clears

    def _clears(self, spec: PropSpec) -> dict[str, int]:
        plays = self.of(spec.id)
        now = [each for each in plays if each.start <= self.now < each.until]
        found = {"hourly-cap": self._cap_clears(spec), "stagger": self._stagger_clears(spec)}
        if now:
            found["playing"] = now[0].until + self._rest(spec, plays[:-1], now[0].spec)
        elif plays:
            found["cooldown"] = plays[-1].until + self._rest(spec, plays, spec)
        return {reason: at for reason, at in found.items() if at > self.now}

    def _rest(self, spec: PropSpec, plays: list[Play], spreading: PropSpec) -> int:
        factor = max([e.cooldown_permille for e in self.phases(self.now)], default=1000)
        charge = self.charge(spec.board)
        weak = charge is not None and charge < (spec.stretch_percent or 0)
        rest = spec.cooldown_ms * factor // 1000
        rest = rest * spec.stretch_permille // 1000 if weak else rest
        if not plays:
            return rest
        return max(rest, self._spread_cap(spreading, plays), self._spread_duty(spreading, plays))

    def _spread_cap(self, spec: PropSpec, plays: list[Play]) -> int:
        """From half of the cap, share what is left of the hour among the starts left in it."""
        end, cap = plays[-1].until, spec.hourly_cap or 0
        starts = [each.start for each in plays if each.start > end - HOUR_MS]
        if not cap <= 2 * len(starts) < 2 * cap:
            return 0
        return (starts[0] + HOUR_MS - end) // (cap - len(starts))

    def _spread_duty(self, spec: PropSpec, plays: list[Play]) -> int:
        """From half of the duty, share what is left of the window among the plays left in it."""
        end, most = plays[-1].until, (spec.duty_permille or 0) * WINDOW_MS // 1000
        since = end - WINDOW_MS
        used = sum(max(0, each.motor_until - max(each.start, since)) for each in plays)
        shortest = min((b.motor_on_ms for b in spec.behaviours if b.motor_on_ms), default=0)
        left = (most - used) // shortest if shortest else 0
        if not most <= 2 * used < 2 * most or not left:
            return 0
        oldest = next(
            (e.start for e in plays if e.motor_until > since and e.behaviour.motor_on_ms), end
        )
        return (max(oldest, since) + WINDOW_MS - end) // left

    def _cap_clears(self, spec: PropSpec) -> int:
        cap = spec.hourly_cap
        starts = [each.start for each in self.of(spec.id) if each.start > self.now - HOUR_MS]
        if cap is None or len(starts) < cap:
            return -FOREVER
        return FOREVER if cap == 0 else starts[len(starts) - cap] + HOUR_MS

    def claim_until(self, prop: str) -> int:
        """Return until when the prop claims the next turn."""
        return ([until for name, until in self.claims if name == prop] or [-FOREVER])[-1]

    def claims_before(self, name: str, spec: PropSpec) -> bool:
        return self.claim_until(name) > self.now and self.started(name) < self.started(spec.id)

    def near_start(self, spec: PropSpec) -> int:
        """Return when the gap after the latest start of a neighbour ends."""
        return max((self.started(each) for each in spec.neighbours), default=-FOREVER) + (
            self.show.gap_ms
        )

    def _stagger_clears(self, spec: PropSpec) -> int:
        until = self.near_start(spec)
        for name in spec.neighbours:
            if self.claims_before(name, spec):
                until = max(until, min(self.claim_until(name), self.now + self.show.gap_ms))
        return until

    def put_off(self, spec: PropSpec) -> None:
        """Give the prop the next turn; one gap is left of a claim that alone puts it off."""
        self.claims.append((spec.id, FOREVER))
        if self.near_start(spec) > self.now:
            return
        for name in spec.neighbours:
            near = self.prop(name)
            if near is None or not self.claims_before(name, spec):
                continue
            if self.claim_until(name) == FOREVER and self.near_start(near) <= self.now:
                self.claims.append((name, self.now + self.show.gap_ms))

    # behaviours

    def _fall(self, spec: PropSpec, behaviour: Behaviour, at: int) -> str | None:
        """Return the first rule in table order that bars this behaviour at an instant."""
        if self._duty_clears(spec, behaviour, at) > at:
            return "duty"
        near = [e for e in self.playing(at) if e.spec.id in spec.voice_neighbours]
        if behaviour.voice and any(each.behaviour.voice for each in near):
            return "talk-over"
        full = [self.show.loads[n].reason for n, ma in behaviour.draws if self._is_full(n, ma, at)]
        return min(full, key=CLEARING.index, default=None)

    def _is_full(self, index: int, mine: int, at: int) -> bool:
        drawn = [ma for e in self.playing(at) for n, ma in e.behaviour.draws if n == index]
        return sum(drawn) + mine > self.show.loads[index].limit

    def _duty_clears(self, spec: PropSpec, behaviour: Behaviour, at: int) -> int:
        """Try later and later starts until the on-time in the window fits."""
        if spec.duty_permille is None or not behaviour.motor_on_ms:
            return at
        most = spec.duty_permille * WINDOW_MS // 1000 - behaviour.motor_on_ms
        if most < 0:
            return FOREVER
        low, high = at, at + 2 * WINDOW_MS
        while low < high:  # halving: the on-time before only leaves the window
            middle = (low + high) // 2
            fits = self._on_time(spec, middle + behaviour.duration_ms) <= most
            low, high = (low, middle) if fits else (middle + 1, high)
        return low

    def _on_time(self, spec: PropSpec, end: int) -> int:
        plays = self.of(spec.id)
        return sum(max(0, e.motor_until - max(e.start, end - WINDOW_MS)) for e in plays)

    def _room_at(self, spec: PropSpec, allowed: list[Behaviour]) -> int:
        """Return the first instant at which one behaviour passes all: some end makes room."""
        instants = {each.until for each in self.playing(self.now)}
        instants |= {self._duty_clears(spec, each, self.now) for each in allowed}
        for at in sorted(each for each in instants if self.now < each < FOREVER):
            if any(self._fall(spec, each, at) is None for each in allowed):
                return at
        return FOREVER
