"""A whole simulated night: the same running night as live, with virtual ports round it.

One seed repeats every run. What happened is checked by watchers that see the wire, the boards'
outputs and the store alone.
"""

from haunt.core.calendar import DAY_MS, Sunset, no_sunset
from haunt.core.decisions import Decision, Outcome
from haunt.core.moment import doors_open
from haunt.live.night import RunningNight
from haunt.live.ports import AlertRow
from haunt.live.prepare import Prepared, prepare
from haunt.live.scene import Scene
from haunt.live.views import NightView
from haunt.study.air import Air
from haunt.study.boards import SimBoard, config_of
from haunt.study.chance import Chance
from haunt.study.controller import Controller
from haunt.study.failing import Store
from haunt.study.faults import NONE, Faults
from haunt.study.ledger import Ledger
from haunt.study.mischief import Mischief
from haunt.study.nightlog import NightLog
from haunt.study.ports import MakeBrain
from haunt.study.schedule import Schedule
from haunt.study.verdict import Verdict, ailments, reconciled
from haunt.study.visitors import Traffic, Visitors, path_of
from haunt.study.witness import Witness
from haunt.wire.showmodels import ShowFile

START_MS = DAY_MS
HEALS_WITHIN_MS = 60_000
"""From the end of the last fault until every board is here, beaten and of one epoch with us."""
LOOK_MS = 1_000
REST_MS = 20_000
"""After that, for messages that are still on their way."""


class World:
    """`log` has the decisions and alerts, `boards` what was played; both in whole with `keep`."""

    def __init__(  # noqa: PLR0913 - a world is made of these
        self,
        file: ShowFile,
        make_brain: MakeBrain,
        *,
        seed: int,
        wall_ms: int,
        traffic: Traffic | None = None,
        faults: Faults = NONE,
        sunset: Sunset = no_sunset,
        keep: bool = True,
    ) -> None:
        self.file, self.seed, self.make_brain = file, seed, make_brain
        self.schedule = Schedule(START_MS, wall_ms)
        self.air = Air(self.schedule, faults, seed)
        prepared = prepare(file, seed)
        self.ledger = Ledger({s.id: tuple(e.prop for e in s.links) for s in prepared.show.sensors})
        self.log = NightLog(self.ledger, keep=keep)
        self.store = Store(self.schedule, listener=self.log.kept)
        self.witness = Witness(self.schedule.mono_ms, self.ledger)
        self.air.reached = self.ledger.reached
        self.air.session.lost = self.ledger.lost_by_broker
        self.controller = self._controller(prepared, sunset)
        self.boards = {each.id: self.board(each.id, keep=keep) for each in file.boards}
        traffic, chance = traffic or Traffic(), Chance(seed, "visitors")
        self.visitors = Visitors(path_of(file), self.boards, traffic, self.schedule, chance)
        self.mischief = self._mischief(faults)
        self.troubles: list[str] = []
        self.healed_ms: int | None = None
        self._begin()

    def _controller(self, prepared: Prepared, sunset: Sunset) -> Controller:
        return Controller(
            prepared,
            sunset,
            self.schedule,
            self.air,
            self.store,
            Chance(self.seed, "controller"),
            ledger=self.ledger,
            witness=self.witness,
            keeper=self.log,
        )

    def _mischief(self, faults: Faults) -> Mischief:
        return Mischief(
            self.file,
            faults,
            self.seed,
            schedule=self.schedule,
            air=self.air,
            store=self.store,
            controller=self.controller,
            boards=self.boards,
        )

    def _begin(self) -> None:
        self.controller.start()
        for board in self.boards.values():
            board.power_on()
        self.visitors.come(lambda: doors_open(self.running.arbiter.night))
        self.mischief.plan()

    def board(self, name: str, twin: str = "", *, keep: bool = False) -> SimBoard:
        """Build one of the show's boards, or another that carries its file."""
        return SimBoard(
            config_of(self.file, name),
            self.make_brain,
            self.schedule,
            self.air,
            Chance(self.seed, f"board {name}{twin}"),
            self.witness,
            keep=keep,
        )

    @property
    def running(self) -> RunningNight:
        return self.controller.running

    # --- running

    def run(self, for_ms: int) -> "World":
        self.schedule.run_until(self.schedule.now_ms + for_ms)
        return self

    def heal(self) -> "World":
        """End all faults, note how long it takes until all is well, and hold all to account."""
        self.mischief.end()
        began_ms = self.schedule.now_ms
        ill = self._ailments()
        self.healed_ms = 0
        while self.schedule.now_ms < began_ms + HEALS_WITHIN_MS:
            self.run(LOOK_MS)
            ill = self._ailments()
            if ill:
                self.healed_ms = self.schedule.now_ms - began_ms + LOOK_MS
        self.troubles += [f"not healed in {HEALS_WITHIN_MS // 1000} s: {each}" for each in ill[:5]]
        self.visitors.leave()
        self.run(REST_MS)
        self.troubles += reconciled(self.controller, self.store, self.ledger, self.boards)
        if self.air.session.waiting:
            self.troubles.append(f"{self.air.session.waiting} messages were never confirmed")
        return self

    def _ailments(self) -> list[str]:
        return ailments(self.controller, self.store, self.air, self.boards)

    # --- what came of it

    def verdict(self) -> Verdict:
        log = self.log
        return Verdict(
            seed=self.seed,
            groups=self.visitors.groups,
            motions=log.motions,
            fired=log.outcomes[Outcome.FIRED],
            refused=log.outcomes[Outcome.REFUSED],
            lapsed=log.outcomes[Outcome.LAPSED],
            reasons=dict(sorted(log.reasons.items(), key=lambda each: (-each[1], each[0]))),
            restarts=self.controller.starts - 1,
            faults=sum(self.mischief.injected.values()),
            broken=self.running.broken,
            log_hash=log.hash(),
            troubles=tuple(self._troubles()),
            events=log.events,
            played=sum(board.starts for board in self.boards.values()),
            injected=dict(sorted(self.mischief.injected.items())),
            losses={what: count for what, count in sorted(self.ledger.losses.items()) if count},
            healed_ms=self.healed_ms,
        )

    def decisions(self) -> list[Decision]:
        return [*self.log.decisions()]

    def alerts(self) -> list[tuple[int, AlertRow]]:
        """Return (steady instant, row) of everything that was said of alerts."""
        return self.log.alerts

    def view(self) -> NightView:
        """Return the night as a page would see it now."""
        scene = Scene(self.running, self.controller.journal, self.controller.prepared.labels)
        return scene.build(self.controller.mono_ms(), frozenset(), 0)

    def _troubles(self) -> list[str]:
        props = self.controller.prepared.show.props
        longest_ms = max(each.patience_ms for prop in props for each in prop.behaviours)
        found = [self.running.broken] if self.running.broken else []
        found += [*self.controller.troubles, *self.ledger.troubles, *self.witness.troubles]
        found += [f"{prop} plays beyond its longest time" for prop in self.witness.still_on()]
        if self.log.longest_wait_ms > longest_ms:
            found.append(f"a trigger waited {self.log.longest_wait_ms} ms and fired")
        return [*found, *self.troubles]
