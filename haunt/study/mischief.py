"""Plans what goes wrong in a simulated night, and what its crew does; and ends all of it at once.

Each kind draws from a stream of its own, so that one more kind of fault moves no other.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from functools import partial
from typing import Final

from haunt.core import events
from haunt.live.prepare import prepare
from haunt.study.air import Air
from haunt.study.boards import SimBoard
from haunt.study.chance import Chance
from haunt.study.controller import Controller
from haunt.study.failing import Breakdown, Store
from haunt.study.faults import Faults
from haunt.study.schedule import Schedule
from haunt.wire.showmodels import ShowFile

RESETS: Final = ("brown-out", "power-on", "watchdog", "soft")
STOPPED_MS: Final = (8_000, 60_000)
LOOKS_AGAIN_MS: Final = 6_000
"""A release counts five seconds."""
POINTS_MAX: Final = 80
WRITES_MAX: Final = 12


class Mischief:
    """`injected` counts what was done, by kind."""

    def __init__(  # noqa: PLR0913 - it breaks all of these
        self,
        file: ShowFile,
        faults: Faults,
        seed: int,
        *,
        schedule: Schedule,
        air: Air,
        store: Store,
        controller: Controller,
        boards: Mapping[str, SimBoard],
    ) -> None:
        self.injected: Counter[str] = Counter()
        self._file, self._faults, self._seed = file, faults, seed
        self._schedule, self._air, self._store = schedule, air, store
        self._controller, self._boards = controller, boards
        self._chances: dict[str, Chance] = {}
        self._is_over = False
        self._undo: dict[str, Callable[[], object]] = {}
        self._keys = 0

    def plan(self) -> None:
        of = self._faults
        for board in self._boards.values():
            self._every(of.link_lost_every_ms, "link-lost", self._lose_link, board)
            self._every(of.dark_every_ms, "dark", self._darken, board)
            self._every(of.reboot_every_ms, "reboot", self._reboot, board)
        self._every(of.broker_down_every_ms, "broker-down", self._fall)
        self._every(of.broker_killed_every_ms, "broker-killed", self._fall)
        self._every(of.cut_off_every_ms, "cut-off", self._cut_off)
        self._every(of.frozen_every_ms, "frozen", self._freeze)
        self._every(of.clock_step_every_ms, "clock-step", self._step_clock)
        self._every(of.restart_every_ms, "killed", self._kill)
        self._every(of.store_slow_every_ms, "store-slow", self._slow_store)
        self._every(of.store_fails_every_ms, "store-fails", self._fail_store)
        self._every(of.crew_every_ms, "crew", self._crew)

    def end(self) -> None:
        """No more faults from now on; what is broken is put right at this instant."""
        self._is_over = True
        self._air.calm()
        undo, self._undo = self._undo, {}
        for each in undo.values():
            each()

    def _every(
        self,
        mean_ms: int,
        kind: str,
        what: Callable[[Chance, str, SimBoard | None], bool],
        board: SimBoard | None = None,
    ) -> None:
        if not mean_ms:
            return
        name = f"{kind} {board.id}" if board is not None else kind
        chance = Chance(self._seed, f"mischief {name}")

        def again() -> None:
            if self._is_over:
                return
            if what(chance, name, board):
                self.injected[kind] += 1
            self._schedule.after(1 + round(chance.exponential(mean_ms)), again)

        self._schedule.after(1 + round(chance.exponential(mean_ms)), again)

    def _until(self, name: str, for_ms: int, undo: Callable[[], object]) -> None:
        """Undo it after a while, or when all ends."""
        self._undo[name] = undo

        def over() -> None:
            if self._undo.get(name) is undo:
                del self._undo[name]
                undo()

        self._schedule.after(for_ms, over)

    # --- boards

    def _lose_link(self, chance: Chance, name: str, board: SimBoard | None) -> bool:
        assert board is not None, "it befalls boards"
        if not board.connected:
            return False
        lost_ms = round(chance.exponential(self._faults.link_lost_ms))
        board.lose_link(lost_ms)
        self._until(name, lost_ms, board.reconnect)
        return True

    def _darken(self, chance: Chance, name: str, board: SimBoard | None) -> bool:
        assert board is not None, "it befalls boards"
        if name in self._undo:
            return False
        self._air.darken(board.id)
        dark_ms = round(chance.exponential(self._faults.dark_ms))
        self._until(name, dark_ms, partial(self._air.lighten, board.id))
        return True

    def _reboot(self, chance: Chance, _name: str, board: SimBoard | None) -> bool:
        assert board is not None, "it befalls boards"
        if not board.on:
            return False
        board.reboot(RESETS[chance.below(len(RESETS))])
        return True

    # --- broker and controller

    def _fall(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        if not self._air.up:
            return False
        self._air.fall(killed=name == "broker-killed")
        down_ms = chance.between(500, 2 * self._faults.broker_down_ms)
        self._until("broker", down_ms, self._air.rise)
        return True

    def _cut_off(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        if name in self._undo or not self._air.session.is_attached:
            return False
        self._air.session.cut_off()
        self._until(
            name, chance.between(500, 2 * self._faults.cut_off_ms), self._air.session.join_up
        )
        return True

    def _freeze(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        if name in self._undo or not self._controller.up:
            return False
        self._controller.freeze()
        self._until(name, chance.between(500, 2 * self._faults.frozen_ms), self._controller.thaw)
        return True

    def _step_clock(self, chance: Chance, _name: str, _board: SimBoard | None) -> bool:
        reach = self._faults.clock_step_ms
        self._schedule.step_wall(chance.between(-reach, reach))
        return True

    def _kill(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        """At rest, or after so many of its next messages: in the midst of an event."""
        if name in self._undo or not self._controller.up:
            return False
        self._controller.kill(chance.below(POINTS_MAX) if chance.happens(0.5) else None)
        down_ms = chance.between(500, 2 * self._faults.restart_ms)
        self._until(name, down_ms, self._restart)
        return True

    def _restart(self) -> None:
        if self._controller.up:  # it was to die with a message that it has not sent yet
            self._controller.kill()
        self._controller.start()

    # --- the store

    def _slow_store(self, _chance: Chance, _name: str, _board: SimBoard | None) -> bool:
        slow_ms = self._faults.store_slow_ms
        self._controller.journal.stuck_until_ms = self._schedule.now_ms + slow_ms
        return True

    def _fail_store(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        """Once, with its answer lost, for some writes, or for a while."""
        if name in self._undo:
            return False
        first, now = self._store.writes + 1 + chance.below(WRITES_MAX), self._schedule.now_ms
        longest_ms = 2 * self._faults.store_fails_ms
        breakdown = (
            Breakdown(first),
            Breakdown(first, answer_lost=True),
            Breakdown(first, writes=1 + chance.below(WRITES_MAX)),
            Breakdown(first, until_ms=now + chance.between(1_000, longest_ms)),
        )[chance.below(4)]
        self._store.breakdowns = [breakdown]
        self._until(name, longest_ms, self._store.mend)
        return True

    # --- its crew

    def _crew(self, chance: Chance, name: str, _board: SimBoard | None) -> bool:
        """Whatever people may change at any moment, one at a time."""
        props, sensors = self._file.props, self._file.sensors
        prop = props[chance.below(len(props))].id
        sensor = sensors[chance.below(len(sensors))].id
        order, what = self._controller.order, chance.below(9)
        if what <= 1 and name not in self._undo:
            order(lambda m, w: events.Stopped(m, w, "crew"), "stop")
            self._until(name, chance.between(*STOPPED_MS), self._release)
        elif what == 2:
            order(lambda m, w: events.Held(m, w, prop, 20_000, "crew"), "hold", prop)
        elif what == 3:
            order(lambda m, w: events.Held(m, w, None, 10_000, "crew"), "hold")
        elif what == 4:
            order(lambda m, w: events.Muted(m, w, sensor, True, 30_000, "crew"), "mute", sensor)
        elif what == 5:
            order(lambda m, w: events.PhaseByHand(m, w, "gentle", 60_000, "crew"), "phase")
        elif what == 6:
            self._fire_twice(chance, prop)
        elif what == 7:
            self._let_go_armed()
        else:
            self._turn_cooldown(chance, prop)
        return True

    def _release(self) -> None:
        """Somebody sees a clear path; props that are armed by hand are let go one by one."""
        if self._controller.up:
            self._controller.order(lambda m, w: events.StopReleased(m, w, "crew"), "release")
            self._let_go_armed()
        self._schedule.after(LOOKS_AGAIN_MS, self._see_it_released)

    def _see_it_released(self) -> None:
        """One that starts anew while it counts stays stopped: who pressed presses again."""
        controller, is_meant = self._controller, "crew" in self._undo
        if not is_meant and (not controller.up or controller.running.arbiter.night.stopped):
            self._release()

    def _let_go_armed(self) -> None:
        for prop in self._file.props:
            if prop.arm_by_hand:
                self._let_go(prop.id)

    def _let_go(self, prop: str) -> None:
        self._controller.order(lambda m, w: events.HoldReleased(m, w, prop, "crew"), "let go", prop)

    def _fire_twice(self, chance: Chance, prop: str) -> None:
        """The request is repeated: the same key."""
        self._keys += 1
        key = f"hand-{self._keys}"

        def fire() -> None:
            self._controller.order(
                lambda m, w: events.FiredByHand(m, w, prop, key, None, False, "crew"), "fire", prop
            )

        fire()
        self._schedule.after(chance.between(1, 3_000), fire)

    def _turn_cooldown(self, chance: Chance, prop: str) -> None:
        rest_ms = chance.between(3_000, 30_000)
        self._file = with_cooldown(self._file, prop, rest_ms)
        self._controller.change_show(prepare(self._file, self._seed))


def with_cooldown(file: ShowFile, prop: str, cooldown_ms: int) -> ShowFile:
    props = [
        each.model_copy(update={"cooldown_ms": cooldown_ms}) if each.id == prop else each
        for each in file.props
    ]
    return file.model_copy(update={"props": tuple(props)})
