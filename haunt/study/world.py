"""A whole simulated night: the same running night as live, with virtual ports round it.

One seed repeats every run. What is recorded can be replayed; what happened can be checked against
what the boards themselves did.
"""

from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from haunt.core.arbiter import Arbiter
from haunt.core.calendar import Sunset, no_sunset
from haunt.core.decisions import Decision, Outcome
from haunt.core.rules import doors_open
from haunt.live.night import RunningNight
from haunt.live.ports import Arrival, JournalCounts, LinkState, Record
from haunt.live.prepare import prepare
from haunt.study.air import Air
from haunt.study.boards import SimBoard, config_of
from haunt.study.chance import Chance
from haunt.study.faults import NONE, Faults
from haunt.study.ports import MakeBrain
from haunt.study.schedule import Schedule
from haunt.study.visitors import Traffic, Visitors, path_of
from haunt.wire.showmodels import ShowFile

START_MS = 86_400_000
COMMIT_MS = 8


@dataclass(slots=True)
class SimJournal:
    """Commits a moment later; while stuck, nothing is; a restart forgets what was not committed."""

    schedule: Schedule
    records: list[Record] = field(default_factory=list)
    stuck_until_ms: int = 0
    listener: Any = None
    _queue: list[Record] = field(default_factory=list)
    _busy: bool = False

    def put(self, record: Record) -> bool:
        self._queue.append(record)
        if not self._busy:
            self._busy = True
            self.schedule.after(COMMIT_MS, self._commit)
        return True

    def counts(self) -> JournalCounts:
        return JournalCounts(len(self.records), 0, len(self._queue), "")

    def crash(self) -> None:
        self._queue.clear()

    def _commit(self) -> None:
        if self.schedule.now_ms < self.stuck_until_ms:
            self.schedule.at(self.stuck_until_ms, self._commit)
            return
        self._busy = False
        batch, self._queue = self._queue, []
        self.records += batch
        if self.listener is not None:
            self.listener.committed(batch)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run came to. `log_hash` covers every decision and cue in order."""

    seed: int
    groups: int
    motions: int
    fired: int
    refused: int
    lapsed: int
    reasons: dict[str, int]
    restarts: int
    faults: int
    broken: str
    log_hash: str
    troubles: tuple[str, ...]


class World:
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
    ) -> None:
        self.file, self.seed, self.faults, self.sunset = file, seed, faults, sunset
        self.schedule = Schedule(START_MS, wall_ms)
        self.air = Air(self.schedule, faults, Chance(seed, "air"))
        self.journal = SimJournal(self.schedule)
        self.prepared = prepare(file, seed)
        self.starts = self.injected = 0
        self.memory: dict[str, Any] | None = None
        self._mischief = Chance(seed, "mischief")
        self.boards = {
            each.id: SimBoard(
                config_of(file, each.id),
                make_brain,
                self.schedule,
                self.air,
                Chance(seed, f"board {each.id}"),
            )
            for each in file.boards
        }
        self.visitors = Visitors(
            path_of(file),
            self.boards,
            traffic or Traffic(),
            self.schedule,
            Chance(seed, "visitors"),
        )
        self._start_controller()
        for board in self.boards.values():
            board.power_on()
        self.visitors.come(lambda: doors_open(self.running.arbiter.night))
        self._plan_faults()

    # --- running

    def run(self, for_ms: int) -> "World":
        until = self.schedule.now_ms + for_ms
        while True:
            due = [self.schedule.next_ms(), self.running.next_due_ms(self.schedule.now_ms)]
            at = min(each for each in due if each is not None)
            if at > until:
                break
            self.schedule.run_until(max(at, self.schedule.now_ms))
            self.running.advance(self.schedule.now_ms, self.schedule.wall_ms())
        self.schedule.run_until(until)
        return self

    def verdict(self) -> Verdict:
        decisions = self.decisions()
        reasons: dict[str, int] = {}
        for each in decisions:
            if each.reason is not None:
                reasons[each.reason] = reasons.get(each.reason, 0) + 1
        count = {o: sum(1 for d in decisions if d.outcome is o) for o in Outcome}
        return Verdict(
            seed=self.seed,
            groups=self.visitors.groups,
            motions=sum(record.has_motion for record in self.journal.records),
            fired=count[Outcome.FIRED],
            refused=count[Outcome.REFUSED],
            lapsed=count[Outcome.LAPSED],
            reasons=dict(sorted(reasons.items(), key=lambda each: (-each[1], each[0]))),
            restarts=self.starts - 1,
            faults=self.injected,
            broken=self.running.broken,
            log_hash=self.log_hash(),
            troubles=tuple(self._troubles()),
        )

    def decisions(self) -> list[Decision]:
        return [each for record in self.journal.records for each in record.decisions]

    def log_hash(self) -> str:
        digest = sha256()
        for record in self.journal.records:
            for each in (*record.decisions, *record.cues):
                digest.update(repr(tuple(each)).encode())
        return digest.hexdigest()

    # --- the controller, and what may befall it

    def _start_controller(self) -> None:
        self.starts += 1
        self.running = RunningNight(
            Arbiter(self.prepared.show, self.sunset, self.memory),
            self.air,
            self.journal,
            clock_id=f"c{self.starts}",
            known_clocks=frozenset(f"c{n}" for n in range(1, self.starts)),
            charge_of=self.prepared.charge_of,
        )
        self.journal.listener = self.running.receipts
        self.running.advance(self.schedule.now_ms, self.schedule.wall_ms())
        self.air.attach(self._deliver)

    def _deliver(self, what: Arrival | LinkState) -> None:
        if isinstance(what, Arrival):
            self.running.receive(what)
        else:
            self.running.link(what)

    def _restart(self) -> None:
        """Kill and start again from what was committed: the last snapshot and the events after."""
        self.injected += 1
        self.journal.crash()
        self.air.detach()
        self.memory = self._remembered()
        self._start_controller()

    def _remembered(self) -> dict[str, Any] | None:
        arbiter = Arbiter(self.prepared.show, self.sunset)
        for record in self.journal.records:
            if record.event is not None:
                arbiter.handle(record.event)
        return arbiter.snapshot()

    def _plan_faults(self) -> None:
        faults = self.faults
        for board in self.boards.values():
            self._every(faults.link_lost_every_ms, lambda b=board: b.lose_link(faults.link_lost_ms))
            self._every(faults.reboot_every_ms, lambda b=board: b.reboot("brown-out"))
        self._every(faults.broker_down_every_ms, self._broker_down)
        self._every(faults.clock_step_every_ms, self._step_clock)
        self._every(faults.restart_every_ms, self._restart)
        self._every(faults.journal_stuck_every_ms, self._journal_stuck)

    def _every(self, mean_ms: int, what: Any) -> None:
        if not mean_ms:
            return

        def again() -> None:
            self.injected += 1
            what()
            self.schedule.after(round(self._mischief.exponential(mean_ms)), again)

        self.schedule.after(round(self._mischief.exponential(mean_ms)), again)

    def _broker_down(self) -> None:
        """Mosquitto restarts: sessions and retained messages are kept, every socket is cut."""
        if not self.air.up:
            return
        self.air.up = False
        self.air.detach()
        for board in self.boards.values():
            board.lose_link(self.faults.broker_down_ms)
        self.schedule.after(self.faults.broker_down_ms, self._broker_up)

    def _broker_up(self) -> None:
        self.air.up = True
        self.air.attach(self._deliver)

    def _step_clock(self) -> None:
        reach = self.faults.clock_step_ms
        self.schedule.step_wall(self._mischief.between(-reach, reach))

    def _journal_stuck(self) -> None:
        self.journal.stuck_until_ms = self.schedule.now_ms + self.faults.journal_stuck_ms

    # --- what a stranger would check

    def _troubles(self) -> list[str]:
        """Compare the controller's word with what the boards did."""
        found = [self.running.broken] if self.running.broken else []
        seen: set[tuple[str, str, int]] = set()
        for record in self.journal.records:
            for cue in record.cues:
                key = (cue.board, cue.cue, cue.sent_ms)
                if key in seen:
                    found.append(f"cue {cue.cue} twice")
                seen.add(key)
        motions = [d for d in self.decisions() if d.motion is not None]
        keys = {(d.motion, d.prop) for d in motions}
        if len(keys) != len(motions):
            found.append(f"{len(motions) - len(keys)} motions decided twice for one prop")
        found += [
            f"{d.cue} waited {d.waited_ms} ms"
            for d in motions
            if d.outcome is Outcome.FIRED and d.waited_ms > self._patience_ms
        ]
        return found

    @property
    def _patience_ms(self) -> int:
        return max(b.patience_ms for p in self.prepared.show.props for b in p.behaviours)
