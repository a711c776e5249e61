"""Verdicts on what is due: fire, refuse, let wait or let lapse, in the one order."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from haunt.core.decisions import Decision, Outcome, SendCue, Source
from haunt.core.show import Behaviour, Line, PropSpec
from tests.model.bars import Bar, Bars, Item
from tests.model.past import FOREVER, Effect, Play


@dataclass(slots=True)
class Verdicts(Bars):
    """`given` are the effects of the other side: the dice that fell there are taken from them."""

    given: list[Effect] = field(default_factory=list)
    epoch: int = 0
    count: int = 0
    agenda: list[Item] = field(default_factory=list)

    def item(self, prop: str, source: Source, due: int, cue: str) -> Item:
        self.count += 1
        item = Item(prop, source, due, max(due, self.now), self.count, cue)
        self.items.append(item)
        return item

    def patience(self, prop: str) -> int:
        spec = self.prop(prop)
        return max((each.patience_ms for each in spec.behaviours), default=0) if spec else 0

    def refuse(self, reason: str, items: Iterable[Item]) -> None:
        for item in list(items):
            self.decide(item, Outcome.REFUSED, reason)

    def settle(self) -> None:
        """Judge all that is due at this instant, in the one order, until nothing is left."""

        def order(item: Item) -> tuple[bool, int, int, int]:
            spec = self.prop(item.prop)
            claims = self.claim_until(item.prop) >= self.now
            return (not claims, -spec.priority if spec else 0, self.started(item.prop), item.number)

        while self.agenda:
            batch = {each.number: each for each in self.agenda if each in self.items}
            self.agenda = []
            for item in sorted(batch.values(), key=order):
                if item in self.items:
                    self.look(item)

    def look(self, item: Item) -> None:
        spec = self.prop(item.prop)
        assert spec is not None
        bar = self.bar(spec, item)
        if bar.reason == "stagger":
            self.put_off(spec)
        if bar.reason is None:
            return self.fire(spec, item, bar)
        if bar.clears is None:
            return self.decide(item, Outcome.REFUSED, bar.reason, bar.margin)
        if item.source is Source.MOTION and bar.clears <= item.due + bar.patience:
            item.waits, item.look_at = True, bar.clears
            return None
        left = bar.clears - self.now if bar.clears < FOREVER else bar.margin
        return self.decide(item, (Outcome.REFUSED, Outcome.LAPSED)[item.waits], bar.reason, left)

    def fire(self, spec: PropSpec, item: Item, bar: Bar) -> None:
        sensor = self.sensor(item.sensor)
        if item.waits and sensor is not None and sensor.stays:
            delay = item.due - item.happened
            if self.now - self.last_seen(sensor) > delay + sensor.fresh_ms:
                return self.decide(item, Outcome.LAPSED, "left")
        chosen = self.chosen(spec, item, bar.allowed)
        until = self.now + chosen.max_ms
        self.decide(item, Outcome.FIRED, None, None, chosen.id)
        motor_until = self.now + chosen.motor_on_ms
        line, again = self.said_by(spec, item, chosen)
        self.plays.append(Play(spec, item.cue, chosen, self.now, until, motor_until, line, again))
        self.claims = [each for each in self.claims if each[0] != spec.id]
        words = (spec.board, item.cue, self.epoch, spec.id, chosen.id, chosen.max_ms, self.now)
        self.said.append(SendCue(*words, line.text if line else None))
        return self.look_around(spec.id)

    def chosen(self, spec: PropSpec, item: Item, allowed: tuple[Behaviour, ...]) -> Behaviour:
        """Take what the dice chose if they might: never the same twice, nor a weight of nothing."""
        last = ([each.behaviour.id for each in self.of(spec.id)] or [""])[-1]
        pool = [each for each in allowed if each.id != last] or list(allowed)
        pool = [each for each in pool if each.weight] or pool
        named = [e.behaviour for e in self.given if isinstance(e, SendCue) and e.cue == item.cue]
        return next((each for each in pool if each.id in named), pool[0])

    def said_by(
        self, spec: PropSpec, item: Item, behaviour: Behaviour
    ) -> tuple[Line | None, tuple[Line, ...]]:
        """Take what the dice chose if they might: none again before all that may be said were.

        Of a pool that is used up also what begins anew, and never its last line twice in a row.
        """
        limits = [e.max_intensity for e in self.phases(self.now) if e.max_intensity is not None]
        most = min(limits, default=FOREVER)
        may = [e for e in behaviour.lines if e.intensity <= most and not (e.barred and most < 5)]
        heard: list[Line] = []
        for play in self.of(spec.id):
            heard = [each for each in heard if each not in play.again]
            heard += [play.line] if play.line else []
        fresh, again = [each for each in may if each not in heard], tuple[Line, ...]()
        if may and not fresh:
            known = [line for each in spec.behaviours for line in each.lines]
            again = (*may, *(each for each in heard if each not in known))
            fresh = [each for each in may if each != heard[-1]] or may
        given = [e.line for e in self.given if isinstance(e, SendCue) and e.cue == item.cue]
        chosen = [each for each in fresh if each.text in given] or fresh
        return (chosen[0] if chosen else None), again

    def decide(
        self,
        item: Item,
        outcome: Outcome,
        reason: str | None,
        margin: int | None = None,
        behaviour: str | None = None,
    ) -> None:
        self.items.remove(item)
        self.said.append(
            Decision(
                self.now,
                self.now + self.offset,
                item.source,
                item.motion,
                item.sensor,
                item.prop or None,
                outcome,
                reason,
                behaviour,
                item.cue if behaviour else None,
                max(0, self.now - item.due),
                margin,
            )
        )

    def look_around(self, prop: str) -> None:
        """Look again at what this prop's start or end may bar or free."""
        spec = self.prop(prop)
        if spec is None:
            return
        mine = {n for each in spec.behaviours for n, _ in each.draws}
        near = {prop, *spec.neighbours, *spec.voice_neighbours}
        for other in self.show.props:
            if mine & {n for each in other.behaviours for n, _ in each.draws}:
                near.add(other.id)
        self.agenda += [each for each in self.items if each.waits and each.prop in near]
