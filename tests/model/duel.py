"""The arbiter and the plain model side by side: the same calls to both, and where they differ."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Self

from haunt.core.decisions import Decision, Effect, Outcome
from haunt.core.events import Event, Motion
from tests.core.random_nights import CALM, KINDS, START_MS, Call, Player, Step, night_of
from tests.model.plain import Plain
from tests.model.shows import Evening

LONG_MS = (29_999, 30_000, 600_000, 599_500, 3_599_999, 3_600_000)
HOURS = (*CALM, *("long",) * 12, *("restart",) * 8)


class DisagreementError(AssertionError):
    """The two sides made something else of the same call."""

    def __init__(self, call: Call, arbiter: Sequence[Effect], model: Sequence[Effect]) -> None:
        self.arbiter, self.model = arbiter, model
        ours, theirs = Counter(model), Counter(arbiter)
        lines = [f"after {call.event} at {call.mono_ms}", "the arbiter alone:"]
        lines += [f"  {each}" for each in (theirs - ours).elements()]
        lines += ["the model alone:", *[f"  {each}" for each in (ours - theirs).elements()]]
        super().__init__("\n".join(lines))


@dataclass(slots=True)
class Duel(Player):
    """Plays steps on both sides. A night that leaves the rules in a known way ends there."""

    model: Plain = field(init=False)
    tally: Counter[str] = field(default_factory=Counter)
    departed: bool = False

    def __post_init__(self) -> None:
        self.model = Plain(self.show)
        super(Duel, self).__post_init__()

    def play(self, steps: list[Step]) -> Self:
        """Play steps, and one kind more than a player knows: `long`, when little happens."""
        for step in steps:
            if step.kind == "long":
                self.wait(LONG_MS[step.a % len(LONG_MS)])
            else:
                super(Duel, self).play([step])
        return self

    def call(self, call: Call) -> None:
        if self.departed:
            return
        before = len(self.effects)
        super(Duel, self).call(call)
        real = self.effects[before:]
        self.model.given = list(real)
        plain = self._model_makes(call.event, call.mono_ms)
        self.tally.update(f"{e.source} {e.reason or 'fired'}" for e in decisions(real))
        theirs, ours = list(real), list(plain)
        if Counter(theirs) != Counter(ours) or moving(theirs) != moving(ours):
            if not (self._forgot_a_play(call.event, ours) or _forgot_a_sighting(theirs, ours)):
                raise DisagreementError(call, theirs, ours)
            self.departed = True
            self.tally["departed"] += 1
            return
        assert not self.model.troubles, self.model.troubles

    def _model_makes(self, event: Event | None, mono_ms: int) -> list[Effect]:
        return self.model.advance(mono_ms) if event is None else self.model.handle(event)

    def _forgot_a_play(self, event: Event | None, ours: Sequence[Effect]) -> bool:
        """Say whether a late motion happened before the last start of a prop that its sensor sees.

        The arbiter remembers one play a prop, so it does not see the one that disturbed the sensor.
        """
        if not isinstance(event, Motion):
            return False
        sensor = self.model.sensor(event.sensor)
        late = [e for e in decisions(ours) if e.reason == "self-trigger" and e.motion is not None]
        happened = self.model.now - event.age_ms
        starts = [self.model.started(each) for each in (sensor.sees if sensor else ())]
        return bool(late) and max(starts, default=happened) > happened


def _forgot_a_sighting(theirs: Sequence[Effect], ours: Sequence[Effect]) -> bool:
    """Say whether all that differs is the arbiter's `wrong-way`.

    It remembers the last sightings of a sensor, not all: a motion that comes after many newer ones
    may find nobody before it.
    """
    alone = Counter(theirs) - Counter(ours)
    return bool(alone) and all(
        isinstance(each, Decision) and each.reason == "wrong-way" for each in alone
    )


def decisions(effects: Sequence[Effect]) -> list[Decision]:
    return [each for each in effects if isinstance(each, Decision)]


def moving(effects: Sequence[Effect]) -> list[Effect]:
    """Return what moves something; in which order one instant refuses is nobody's business."""
    return [e for e in effects if not isinstance(e, Decision) or e.outcome is Outcome.FIRED]


def steps_of(seed: int, length: int) -> list[Step]:
    """Return a night of one of four kinds.

    Anything goes; few orders; packs that run down; hours that pass, with restarts between.
    """
    kinds = (KINDS, CALM, (*CALM, *("health",) * 60, *("wait",) * 20), HOURS)
    steps = [_rounded(each) for each in night_of(seed, length, kinds[seed % 4])]
    if seed % 4 == 2:
        half = length // 2
        steps[:half] = [replace(e, b=e.b // 5 * 5 + 1) if _is_low(e) else e for e in steps[:half]]
    return steps


def _is_low(step: Step) -> bool:
    return step.kind == "health" and step.c % 8 > 0


def _rounded(step: Step) -> Step:
    """Let boards have been up for round times, so that what follows from it meets its edge."""
    return replace(step, c=step.c // 500 * 500 + step.c % 4) if step.kind == "here" else step


def duel_of(evening: Evening) -> Duel:
    return Duel(evening.show, evening.other, offset=evening.wall_ms - START_MS)


def disagrees(evening: Evening, steps: list[Step]) -> bool:
    try:
        duel_of(evening).play(steps)
    except DisagreementError:
        return True
    return False


def shortest(steps: list[Step], shows: Callable[[list[Step]], bool]) -> list[Step]:
    """Leave out steps, in halves and then one by one, as long as what is left still shows it."""
    size = len(steps)
    while size := size // 2:
        start = 0
        while start < len(steps):
            fewer = steps[:start] + steps[start + size :]
            if shows(fewer):
                steps = fewer
            else:
                start += size
    return steps
