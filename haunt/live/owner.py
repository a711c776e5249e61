"""The one owner of the night's state: a plain thread fed by a bounded queue.

Everybody else only puts: messages from the broker, people's orders, the link's state. Views are
made here and handed out as immutable values.
"""

import threading
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, Full, Queue

from haunt.live.crew import Answer, MakeEvent
from haunt.live.night import RunningNight
from haunt.live.ports import ActionRow, Arrival, Clock, LinkState, ViewsChanged
from haunt.live.scene import Scene
from haunt.live.views import Labels, NightView

QUEUE_MAX = 20_000
VIEW_EVERY_MS = 250
IDLE_MS = 1000


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
        self._on_views = on_views
        self._queue: Queue[Arrival | LinkState | Order | None] = Queue(queue_max)
        self._dropped = 0
        self._next_view_ms = 0
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
        with suppress(Full):
            self._queue.put(None, timeout=timeout_s)
        self._thread.join(timeout_s)

    def deliver(self, what: Arrival | LinkState) -> bool:
        """Hand over a message. False, counted, when the queue is full."""
        try:
            self._queue.put_nowait(what)
        except Full:
            self._dropped += 1
            return False
        return True

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        answer: Future[Answer] = Future()
        order = Order(make, ActionRow(by, what, about), answer, labels)
        try:
            # A stop must get in even when motions fill the queue: it waits for one place at most.
            self._queue.put(order, timeout=1.0)
        except Full:
            answer.set_exception(TimeoutError("the controller is overloaded; try again"))
        return answer

    def view(self) -> NightView:
        return self._view

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while self._step():
            pass
        self._running.save(self._clock.mono_ms())

    def _step(self) -> bool:
        now = self._clock.mono_ms()
        due = min(self._running.next_due_ms(now), now + IDLE_MS)
        if self._running.changed:
            due = min(due, self._next_view_ms)
        what: Arrival | LinkState | Order | None
        try:
            what = (
                self._queue.get(timeout=max(0, due - now) / 1000)
                if due > now
                else (self._queue.get_nowait())
            )
        except Empty:
            what = _NOTHING
        if what is None:
            return False
        if what is not _NOTHING:
            self._take(what)
        now = self._clock.mono_ms()
        self._running.advance(now, self._clock.wall_ms())
        if now >= self._next_view_ms:
            self._show(now)
        return True

    def _take(self, what: Arrival | LinkState | Order) -> None:
        if isinstance(what, Arrival):
            self._running.receive(what)
        elif isinstance(what, LinkState):
            self._running.link(what)
        else:
            self._obey(what)

    def _obey(self, order: Order) -> None:
        if not order.answer.set_running_or_notify_cancel():
            return
        if order.labels is not None:
            self._scene.labels = order.labels
        now = self._clock.mono_ms()
        event = order.make(now, self._running.wall_of(now))
        decisions = self._running.order(event, order.action)
        self._show(self._clock.mono_ms())  # whoever asked sees the result on the next page
        order.answer.set_result(Answer(decisions))

    def _show(self, mono_ms: int) -> None:
        self._next_view_ms = mono_ms + VIEW_EVERY_MS
        changed = frozenset(self._running.changed)
        self._running.changed.clear()
        self._view = self._scene.build(mono_ms, changed, self._dropped)
        self._on_views(changed)


_NOTHING = LinkState(up=False, mono_ms=-1, wall_ms=-1)
