"""The rules said a second time, slowly: every look at an item goes through all that happened.

Six files: `hours` (the clock on the wall), `past` (what happened), `bars` (what bars a prop),
`verdicts` (what is due), `rows` (the timetable), and here what each event does.

It shares the vocabulary of the arbiter and none of its code. It has no dice: which behaviour a
cue names, and when a row of every so often comes, is taken from outside and checked.
"""

from dataclasses import dataclass, field, replace

from haunt.core import events
from haunt.core.decisions import Outcome, Source, TellStop
from haunt.core.events import Event, key_of
from haunt.core.show import Behaviour, Link, SensorSpec
from tests.model.past import FOREVER, POWERED_UP, Effect, Play, Released, Seen
from tests.model.rows import STEP_MS, Rows

WALKING_MAX, REST_MS, LOST_ARMS_MS = 64, 5000, 30_000


@dataclass(slots=True)
class Plain(Rows):
    keys: list[str] = field(default_factory=list)

    # time

    def handle(self, event: Event) -> list[Effect]:
        before, at = len(self.said), max(self.now, event.mono_ms)
        resumes = isinstance(event, events.Started | events.Woke)
        if not resumes:
            self.advance(at)
        stepped = abs(event.wall_ms - event.mono_ms - self.offset) >= STEP_MS
        self.now, self.offset = at, event.wall_ms - event.mono_ms
        shown = self.show
        self.log.append((replace(event, mono_ms=at), getattr(event, "show", shown)))
        if stepped and not resumes:
            self.plan_rows()
        self._apply(event)
        self.settle()
        if resumes:
            self.advance(at)
        return self.said[before:]

    def advance(self, until: int) -> list[Effect]:
        before = len(self.said)
        while (at := min(self._dues(), default=FOREVER)) <= until:
            self.now = max(at, self.now)
            self._ring()
            self.settle()
        self.now = max(until, self.now)
        return self.said[before:]

    def _dues(self) -> list[int]:
        dues = [each.look_at for each in self.items] + [
            due - self.offset for due in self.plan.values()
        ]
        dues += [each.until for each in self.plays if each.until > self.now]
        dues += [each.at_ms for each in self.ordered() if each.at_ms > self.now]
        stopped = self.stopped_until()
        return [*dues, stopped] if 0 < stopped < FOREVER else dues

    def _ring(self) -> None:
        for play in self.plays:
            if play.until == self.now:
                self.look_around(play.spec.id)
        if self.stopped_until() == self.now:
            self.log.append((Released(self.now, self.now + self.offset), self.show))
            self._tell_stop(stopped=False)
        self.agenda += [each for each in self.items if each.look_at <= self.now]
        for row in sorted(self.show.timetable, key=lambda each: each.row):
            self.ring_row(row)

    def _resume(self, event: events.Started | events.Woke) -> None:
        """Nothing ran while nobody watched: what is too late lapses, the rest is judged now."""
        if isinstance(event, events.Started):
            self.epoch = max(self.epoch, event.epoch)
            self._tell_stop(stopped=self.stopped_until() > 0)
        for item in list(self.items):
            item.look_at = max(item.due, self.now)
            if self.stopped_until() > 0:
                self.decide(item, Outcome.REFUSED, "stopped")
            elif self.now > item.due + self.patience(item.prop):
                self.decide(item, Outcome.LAPSED, "restart")
        self.plan_rows()

    # events

    def _apply(self, event: Event) -> None:
        match event:
            case events.Motion():
                self._motion(event)
            case events.Started() | events.Woke():
                self._resume(event)
            case events.ShowChanged():
                self._change_show(event)
            case events.BoardGone() | events.BoardHere() | events.BoardHealth():
                self._hear(len(self.log) - 1, event)
            case events.Reported():
                self._report(event)
            case events.FiredByHand() if event.key not in self.keys and self.prop(event.prop):
                self.keys.append(event.key)
                item = self.item(event.prop, Source.HAND, self.now, event.key)
                item.wanted, item.hands_clear = event.behaviour, event.hands_clear
                self.agenda.append(item)
            case events.LinkChanged(up=False) | events.PhaseByHand() | events.DoorsSet():
                self.agenda += [each for each in self.items if each.waits]
            case _:
                self._still(event)

    def _still(self, event: Event) -> None:
        """Apply what decides at once all that is pending, or all that is for a prop."""
        match event:
            case events.Stopped():
                self._tell_stop(stopped=True)
                self.refuse("stopped", self.items)
            case events.WalkTest(on=True):
                self.refuse("walk-test", self.items)
            case events.Held():
                self._hold(event)
            case events.LockedOut(on=True):
                self.refuse("locked-out", [e for e in self.items if e.prop == event.prop])
            case events.ServiceChanged(out=True):
                self.refuse("out-of-service", [e for e in self.items if e.prop == event.prop])
            case _:
                pass

    def _hold(self, event: events.Held) -> None:
        """A hold that is shorter than the one that stands changes nothing."""
        heard = self.log.pop()
        stands = [e.id for e in self.show.props if self.held_until(e.id) == FOREVER]
        self.log.append(heard)
        for spec in self.show.props:
            timed = event.for_ms is not None and not spec.arm_by_hand
            if event.prop in (None, spec.id) and not (timed and spec.id in stands):
                self.refuse("held", [each for each in self.items if each.prop == spec.id])

    def _tell_stop(self, *, stopped: bool) -> None:
        self.epoch += 1
        self.said.append(TellStop(stopped, self.epoch, self.now))

    def _change_show(self, event: events.ShowChanged) -> None:
        old, self.show = self.show, event.show
        for item in list(self.items):
            if self.prop(item.prop) is None or self.sensor(item.sensor) is None:
                self.decide(item, Outcome.REFUSED, "no-prop")
        self.plays = [each for each in self.plays if self.prop(each.spec.id) is not None]
        self.claims = [each for each in self.claims if self.prop(each[0]) is not None]
        for play in self.playing(self.now):
            ids = {each.id: each for each in (self.prop(play.spec.id) or play.spec).behaviours}
            have, ms = play.behaviour, play.behaviour.duration_ms
            play.behaviour = replace(ids.get(have.id, Behaviour(have.id, ms)), duration_ms=ms)
        kept = [row.row for row in old.timetable if row in self.show.timetable]
        plan, mark = self.plan, self.mark
        self.plan_rows()
        self.plan |= {row: plan[row] for row in kept if row in plan}
        self.mark |= {row: mark[row] for row in kept if row in mark}
        self.agenda += [each for each in self.items if each.waits]

    def _is_on(self, prop: str, board: str) -> bool:
        spec = self.prop(prop)
        return spec is not None and spec.board == board

    def _end_plays(self, board: str) -> None:
        for play in self.playing(self.now):
            if self._is_on(play.spec.id, board):
                self._end(play)

    def _end(self, play: Play) -> None:
        play.until, play.motor_until = self.now, min(play.motor_until, self.now)
        self.look_around(play.spec.id)

    def _hear(
        self, place: int, event: events.BoardGone | events.BoardHere | events.BoardHealth
    ) -> None:
        heard = self.log.pop()
        boot, gone = self.boot(event.board)[0], self.gone_since(event.board)
        self.log.append(heard)
        if isinstance(event, events.BoardGone):
            if gone is None:
                self._end_plays(event.board)
                self.refuse("offline", [e for e in self.items if self._is_on(e.prop, event.board)])
            return
        if event.boot != boot:
            self._end_plays(event.board)
        lost = isinstance(event, events.BoardHere) and gone and self.now - gone >= LOST_ARMS_MS
        if lost or (event.boot != boot and event.reset in POWERED_UP):
            self.arming.append(place)
        if isinstance(event, events.BoardHealth) and event.charge_percent is not None:
            self._weigh(place, event.board)

    def _weigh(self, place: int, board: str) -> None:
        """Note a charge told at rest: nothing on this board for five seconds."""
        plays = [each for each in self.plays if self._is_on(each.spec.id, board)]
        if not any(each.start <= self.now < each.until + REST_MS for each in plays):
            self.resting.append(place)
            self.agenda += [e for e in self.items if e.waits and self._is_on(e.prop, board)]

    def _report(self, event: events.Reported) -> None:
        if event.epoch > self.epoch:
            self.epoch = event.epoch
            self._tell_stop(stopped=self.stopped_until() > 0)
        for play in self.playing(self.now):
            if play.cue == event.cue and self._is_on(play.spec.id, event.board):
                if event.state in ("finished", "aborted"):
                    self._end(play)
                elif event.state == "refused" and event.why != "repeat":
                    self.plays.remove(play)
                    self.look_around(play.spec.id)

    # motions

    def _motion(self, event: events.Motion) -> None:
        key, happened = key_of(event), self.now - event.age_ms
        if any(key_of(each) == key for each in self.every(events.Motion)[:-1]):
            return
        sensor = self.sensor(event.sensor)
        if sensor is not None and sensor.board != event.board:
            sensor = None
        links = sensor.links if sensor is not None else ()
        reason, margin = self._sensor_rule(sensor, happened)
        ways = [self._way(reason, margin, link, happened) for link in links]
        if sensor is not None:
            self.seen.append(Seen(event.sensor, happened, any(way is None for way, _ in ways)))
            self._act(sensor, event, accepted=not reason and (self.seen[-1].passed or not links))
        for link, (way, by) in zip(links, ways, strict=True):
            self._walk(event, link, way, by)
        if not links:
            item = self.item("", Source.MOTION, self.now, "")
            item.motion, item.sensor = key, event.sensor
            self.decide(item, Outcome.REFUSED, reason or "no-prop", margin)

    def _act(self, sensor: SensorSpec, event: events.Motion, *, accepted: bool) -> None:
        """A button may mean something else; a stop button counts whatever its rules say."""
        times = (event.mono_ms, event.wall_ms)
        orders: dict[str, Event] = {"stop": events.Stopped(*times)}
        if accepted:
            orders |= {"hold": events.Held(*times), "gentle": events.PhaseByHand(*times, "gentle")}
        if sensor.action in orders:
            self.log.append((orders[sensor.action], self.show))
            self._apply(orders[sensor.action])

    def _walk(self, event: events.Motion, link: Link, way: str | None, margin: int | None) -> None:
        happened, key = self.now - event.age_ms, key_of(event)
        due, cue = happened + link.delay_ms, f"{key.board}-{key.boot}-{key.seq}-{link.prop}"
        item = self.item(link.prop, Source.MOTION, due, cue)
        item.motion, item.sensor, item.happened = key, event.sensor, happened
        item.late = max(0, self.now - due - self.patience(link.prop))
        if way is not None:
            self.decide(item, Outcome.REFUSED, way, margin)
        elif due <= self.now:
            self.agenda.append(item)
        elif self.stopped_until() > 0 or happened < self.released_at():
            self.decide(item, Outcome.REFUSED, "stopped")
        elif self.is_walk_test():
            self.decide(item, Outcome.REFUSED, "walk-test")
        elif not self.is_open(self.now):
            self.decide(item, Outcome.REFUSED, "closed")
        elif len([each for each in self.items if each.prop == link.prop]) > WALKING_MAX:
            self.decide(item, Outcome.REFUSED, "already-waiting", WALKING_MAX)

    def _sensor_rule(self, sensor: SensorSpec | None, at: int) -> tuple[str | None, int | None]:
        if sensor is None:
            return "unknown-sensor", None
        muted = self.muted_until(sensor.id)
        if muted > self.now:
            return "muted", muted - self.now if muted < FOREVER else None
        boot, booted, reset = self.boot(sensor.board)
        if boot and reset in POWERED_UP and at < booted + sensor.warm_up_ms and sensor.warm_up_ms:
            return "warming-up", booted + sensor.warm_up_ms - at
        passed = [each.happened for each in self.seen if each.sensor == sensor.id and each.passed]
        if passed and abs(at - max(passed)) < sensor.block_ms:
            return "block-time", max(passed) + sensor.block_ms - at
        if passed and sensor.lull_ms is not None:
            clear = min(self.last_seen(sensor) + sensor.lull_ms, max(passed) + sensor.lull_max_ms)
            if at < clear:
                return "lingering", clear - at
        disturbed = [
            each.until + sensor.settle_ms - at
            for each in self.plays
            if each.spec.id in sensor.sees and each.start <= at < each.until + sensor.settle_ms
        ]
        return ("self-trigger", max(disturbed)) if disturbed else (None, None)

    def _way(
        self, reason: str | None, margin: int | None, link: Link, at: int
    ) -> tuple[str | None, int | None]:
        """Judge people who came the other way, link by link; it stands before self-trigger."""
        before = [each.happened for each in self.seen if each.sensor == link.after]
        wrong = link.after and not any(at - link.within_ms <= each <= at for each in before)
        return (
            ("wrong-way", None) if wrong and reason in (None, "self-trigger") else (reason, margin)
        )
