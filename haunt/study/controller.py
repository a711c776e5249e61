"""The controller's process in a simulated world: it starts, is killed at any point, starts again.

What it runs is the live night itself. A new life begins with what the store had committed.
"""

from collections.abc import Callable
from functools import partial
from typing import Final

from haunt.core.arbiter import Arbiter
from haunt.core.calendar import Sunset
from haunt.core.events import Event, ShowChanged
from haunt.live.memory import remembered, resumed_mono_ms
from haunt.live.night import RunningNight
from haunt.live.ports import ActionRow, Arrival, LinkState, Receipt
from haunt.live.prepare import Prepared
from haunt.study.air import Air
from haunt.study.chance import Chance
from haunt.study.failing import Keeper, SimJournal, Store
from haunt.study.ledger import Ledger
from haunt.study.schedule import Schedule
from haunt.study.witness import Witness

ASLEEP: Final = 1 << 60
RETRY_MS: Final = (200, 2_000)
HELD_MAX: Final = 20_000


class KilledError(BaseException):
    """SIGKILL: nothing catches it, nothing is tidied up."""


class Controller:
    """`running` is the night of the present life, or of the last one while it is down."""

    def __init__(  # noqa: PLR0913 - its ports, and who watches it
        self,
        prepared: Prepared,
        sunset: Sunset,
        schedule: Schedule,
        air: Air,
        store: Store,
        chance: Chance,
        *,
        ledger: Ledger,
        witness: Witness,
        keeper: Keeper,
    ) -> None:
        self.prepared, self.version, self.starts = prepared, 0, 0
        self.up = False
        self.troubles: list[str] = []
        self.running: RunningNight
        self.journal: SimJournal
        self._sunset, self._schedule, self._air, self._store = sunset, schedule, air, store
        self._chance, self._ledger, self._witness, self._keeper = chance, ledger, witness, keeper
        store.shows[0] = prepared.show
        self._offset_ms = 0
        self._wake_ms = ASLEEP
        self._points_left: int | None = None
        self._is_frozen = False
        self._held: list[tuple[str, bytes, bool, Receipt | None]] = []

    # --- a life

    def start(self) -> None:
        self.starts += 1
        self.up, self._is_frozen = True, False
        self._held.clear()
        store, wall_ms = self._store, self._schedule.wall_ms()
        last = store.last
        mono_ms = resumed_mono_ms((last.mono_ms, last.wall_ms) if last else None, wall_ms)
        self._offset_ms = mono_ms - self._schedule.now_ms
        clock = f"c{self.starts}"
        known = store.new_clock(clock)
        self.journal = SimJournal(self._schedule, store, self._keeper)
        self.running = RunningNight(
            self._restored(),
            self,
            self.journal,
            clock_id=clock,
            known_clocks=known,
            number=last.number if last is not None else 0,
            charge_of=self.prepared.charge_of,
            shelf=store,
        )
        self.running.show_version = self.version
        self.running.boards.journalled.update(store.counted)
        self.running.relabel(self.prepared.labels)
        self.journal.listener = self.running.receipts
        self._witness.began()
        self._wake_ms = ASLEEP
        self._do(partial(self.running.advance, self.mono_ms(), wall_ms))
        self._connect(self.starts)

    def _restored(self) -> Arbiter:
        """The night as the store gives it back to whoever starts now."""
        store = self._store
        memory = remembered(store.show_then(), self._sunset, store.snapshot(), store.events_after())
        return Arbiter(self.prepared.show, self._sunset, memory)

    def kill(self, after_points: int | None = None) -> None:
        """Now, or in the midst of what it does next: at one of its points, two a message."""
        if after_points is not None:
            self._points_left = after_points
        elif self.up:
            self._check_memory()
            self._die()

    def _die(self) -> None:
        self.up, self._points_left, self._wake_ms = False, None, ASLEEP
        self.journal.die()
        self._air.session.detach(tell=False)
        self._ledger.killed()

    def _check_memory(self) -> None:
        """Where all was committed, what a restart will find is what there was."""
        counts, running = self.journal.counts(), self.running
        if counts.backlog or counts.lost or running.broken or not running.begun:
            return
        now_ms = running.arbiter.night.now_ms
        again = self._restored()
        again.advance(now_ms)  # timers that nothing came of are not written down
        again.night.duplicates = running.arbiter.night.duplicates  # counted, never written down
        if again.snapshot() != running.arbiter.snapshot():
            self.troubles.append(f"the store gives back another night than there was ({now_ms})")

    def freeze(self) -> None:
        """The process gets no time; what comes waits in its socket."""
        self._is_frozen = self.up

    def thaw(self) -> None:
        if not self._is_frozen:
            return
        self._is_frozen = False
        held, self._held = self._held, []
        for each in held:
            self.arrived(*each)
        self._wake_ms = ASLEEP
        self._arm()

    # --- its clock

    def mono_ms(self) -> int:
        return self._schedule.now_ms + self._offset_ms

    def _arm(self) -> None:
        """Ask to be woken when something is due, as the owner's thread sleeps until then."""
        now = self._schedule.now_ms
        due = self.running.next_due_ms(now + self._offset_ms) - self._offset_ms
        if due < self._wake_ms:
            at_ms = self._wake_ms = max(now, due)
            self._schedule.at(at_ms, partial(self._wake, self.starts, at_ms))

    def _wake(self, life: int, at_ms: int) -> None:
        if life != self.starts or at_ms != self._wake_ms or self._is_frozen:
            return
        self._wake_ms = ASLEEP
        schedule = self._schedule
        self._do(
            partial(self.running.advance, schedule.now_ms + self._offset_ms, schedule.wall_ms())
        )

    def _do(self, what: Callable[[], object]) -> None:
        try:
            what()
        except KilledError:
            self._die()
        if self.up:
            self._arm()

    # --- its broker: satisfies air.Listener and live.ports.Outbox

    def arrived(self, topic: str, payload: bytes, retain: bool, receipt: Receipt | None) -> None:
        if not self.up:
            return
        if self._is_frozen:
            if len(self._held) < HELD_MAX:
                self._held.append((topic, payload, retain, receipt))
            return
        now = self._schedule.now_ms + self._offset_ms
        if receipt is not None:
            self._ledger.came(payload, now)
        arrival = Arrival(topic, payload, retain, now, self._schedule.wall_ms(), receipt)
        try:
            self.running.receive(arrival)
        except KilledError:
            self._die()
        if self.up:
            self._arm()

    def link(self, *, up: bool) -> None:
        if not self.up:
            return
        if up:
            self._ledger.relinked()
        else:
            self._schedule.after(self._pause_ms(), partial(self._connect, self.starts))
        state = LinkState(up, self.mono_ms(), self._schedule.wall_ms())
        self._do(partial(self.running.link, state))

    def _connect(self, life: int) -> None:
        if not self.up or life != self.starts or self._air.session.is_attached:
            return
        if self._is_frozen or not self._air.attach(self):
            self._schedule.after(self._pause_ms(), partial(self._connect, life))

    def _pause_ms(self) -> int:
        return self._chance.between(*RETRY_MS)

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        self._live_on()
        sent = self._air.publish(topic, payload, qos=qos, retain=retain)
        if sent:
            self._witness.published(topic, payload)
        self._live_on()
        return sent

    def _live_on(self) -> None:
        """Before and after each message there is a point at which it may be killed."""
        if self._points_left is not None:
            self._points_left -= 1
            if self._points_left < 0:
                raise KilledError

    def acknowledge(self, receipt: Receipt) -> None:
        payload = self._air.session.payload_of(receipt)
        if payload is not None:
            self._ledger.confirmed(payload, self.mono_ms())
        self._air.acknowledge(receipt)

    # --- its crew

    def order(self, make: Callable[[int, int], Event], what: str, about: str = "") -> None:
        """Somebody on the crew does something; nobody can while it is down."""
        if not self.up or self._is_frozen or not self.running.begun:
            return
        now = self.mono_ms()
        event = make(now, self.running.wall_of(now))
        self._do(partial(self.running.order, event, ActionRow("crew", what, about)))

    def change_show(self, prepared: Prepared) -> None:
        """A new version: kept first, as the pages do, then made an event."""
        if not self.up or self._is_frozen or not self.running.begun:
            return
        self.prepared, self.version = prepared, self.version + 1
        self._store.shows[self.version] = prepared.show
        version = self.version
        self.order(lambda m, w: ShowChanged(m, w, prepared.show, version, "crew"), "show")
