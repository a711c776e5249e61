"""The one owner of the night's state: one at a time, in the order of a bounded queue.

A plain thread takes what people, the link and the broker put. A message that comes while nothing
waits and nobody works is handled in the thread that brought it: the hop to another thread cost
more than half of a round trip. Views are made here and handed out as immutable values.
"""

import threading
from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass

from haunt.live.crew import Answer, MakeEvent
from haunt.live.night import RunningNight
from haunt.live.ports import ActionRow, Arrival, Clock, LinkState, ViewsChanged
from haunt.live.scene import Scene
from haunt.live.views import Labels, NightView

QUEUE_MAX = 20_000
ORDERS_MAX = 256
"""People get in beyond the bound that motions may fill."""
VIEW_EVERY_MS = 250
IDLE_MS = 1000
AT_ONCE_MAX = 64


@dataclass(slots=True)
class Order:
    make: MakeEvent
    action: ActionRow
    answer: "Future[Answer]"
    labels: Labels | None = None


class Owner:
    """Satisfies `crew.Desk`. `deliver`, `submit` and `view` may be called from any thread."""

    def __init__(
        self,
        running: RunningNight,
        scene: Scene,
        clock: Clock,
        on_views: ViewsChanged = lambda _changed: None,
        queue_max: int = QUEUE_MAX,
    ) -> None:
        self._running, self._scene, self._clock = running, scene, clock
        self._on_views, self._queue_max = on_views, queue_max
        self._queue: deque[Arrival | LinkState] = deque()  # taken from under `_working`
        self._orders: deque[Order] = deque()  # go first: a stop waits for no crowd
        self._working = threading.Lock()
        self._something = threading.Event()
        self._dropped = 0
        self._next_view_ms = self._stale_view_ms = self._awake_at_ms = 0
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="owner", daemon=True)
        self._view = scene.build(clock.mono_ms(), frozenset(), 0)

    def start(self) -> None:
        self._thread.start()

    def listen(self, on_views: ViewsChanged) -> None:
        """Name who is told of changed views; before `start`."""
        self._on_views = on_views

    def stop(self, timeout_s: float = 2.0) -> None:
        """Handle what is queued, save a snapshot, end."""
        self._stopping = True
        self._something.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def deliver(self, what: Arrival | LinkState) -> bool:
        """Handle a message now, or queue it. False, counted, when the queue is full."""
        if not self._waits() and self._working.acquire(blocking=False):
            try:
                if not self._waits():  # else it would overtake what waits
                    self._take(what)
                    self._look_again()
                    return True
            except Exception as bug:  # noqa: BLE001 - same reason as in `_run`
                self._running.fail(bug)
                return True
            finally:
                self._working.release()
        if len(self._queue) >= self._queue_max:
            self._dropped += 1
            return False
        self._queue.append(what)
        self._something.set()
        return True

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        answer: Future[Answer] = Future()
        if len(self._orders) >= ORDERS_MAX:
            answer.set_exception(TimeoutError("the controller is overloaded; try again"))
            return answer
        self._orders.append(Order(make, ActionRow(by, what, about), answer, labels))
        self._something.set()
        return answer

    def view(self) -> NightView:
        return self._view

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while not (self._stopping and not self._waits()):
            self._wait()
            with self._working:
                try:
                    self._work()
                except Exception as bug:  # noqa: BLE001 - a dead owner would be a silent garden
                    self._running.fail(bug)
        with self._working:
            self._running.save(self._clock.mono_ms())

    def _wait(self) -> None:
        now = self._clock.mono_ms()
        due = min(self._running.next_due_ms(now), self._stale_view_ms)
        if self._running.changed:
            due = min(due, max(self._next_view_ms, now))
        self._awake_at_ms = due
        if not self._waits() and due > now:
            self._something.wait((due - now) / 1000)
        self._something.clear()

    def _work(self) -> None:
        """Take what waits, a bounded part at a time so that timers keep their hour."""
        for _ in range(AT_ONCE_MAX):
            if self._orders:
                self._obey(self._orders.popleft())
            elif self._queue:
                self._take(self._queue.popleft())
            else:
                break
        now = self._clock.mono_ms()
        self._running.advance(now, self._clock.wall_ms())
        if (now >= self._next_view_ms and self._running.changed) or now >= self._stale_view_ms:
            self._show(now)

    def _look_again(self) -> None:
        """Wake the thread where this message brought a timer, or a view, before it would wake."""
        due = self._running.next_due_ms(self._clock.mono_ms())
        if self._running.changed:
            due = min(due, self._next_view_ms)
        if due < self._awake_at_ms:
            self._something.set()

    def _waits(self) -> bool:
        return bool(self._orders or self._queue)

    def _take(self, what: Arrival | LinkState) -> None:
        if isinstance(what, Arrival):
            self._running.receive(what)
        else:
            self._running.link(what)

    def _obey(self, order: Order) -> None:
        if not order.answer.set_running_or_notify_cancel():
            return
        if order.labels is not None:
            self._scene.labels = order.labels
        now = self._clock.mono_ms()
        decisions = self._running.order(order.make(now, self._running.wall_of(now)), order.action)
        self._show(self._clock.mono_ms())  # whoever asked sees the result on the next page
        order.answer.set_result(Answer(decisions))

    def _show(self, mono_ms: int) -> None:
        self._next_view_ms = mono_ms + VIEW_EVERY_MS
        self._stale_view_ms = mono_ms + IDLE_MS  # counters and silences change without an event
        changed = frozenset(self._running.changed)
        self._running.changed.clear()
        self._view = self._scene.build(mono_ms, changed, self._dropped)
        self._on_views(changed)
