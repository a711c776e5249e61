"""The live stream: a changed card is rendered once for all phones, at most four times a second.

A phone that does not keep up loses its queue and gets the whole page's parts anew. Nothing here
waits for a phone.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import NamedTuple

RENDER_EVERY_S = 0.25
TICK_S = 2.0
QUEUE_MAX = 64


class Message(NamedTuple):
    """One message of a stream: `event` None is swapped into the page."""

    event: str | None
    data: str


Render = Callable[[str], str]
"""Fragment name to its HTML. Called on the loop; must not wait."""


@dataclass(slots=True, eq=False)
class Phone:
    queue: asyncio.Queue[Message | None] = field(default_factory=lambda: asyncio.Queue(QUEUE_MAX))
    behind: bool = True


class Hub:
    """`notify` is called from the owner's thread; all else on the loop that `run` runs on."""

    def __init__(self) -> None:
        self.phones: set[Phone] = set()
        self.rendered = 0
        self._changed: set[str] = set()
        self._shown: dict[str, str] = {}
        self._wake: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closing = False

    @property
    def closing(self) -> bool:
        return self._closing

    def notify(self, changed: frozenset[str]) -> None:
        """Thread-safe. Names of props whose cards may look different now."""
        loop = self._loop
        if loop is not None and self.phones:
            with suppress(RuntimeError):  # the loop is closing: nobody looks any more
                loop.call_soon_threadsafe(self._note, changed)

    def _note(self, changed: frozenset[str]) -> None:
        self._changed.update(changed)
        if self._wake is not None:
            self._wake.set()

    async def run(
        self, render: Render, parts: Callable[[], list[str]], tick: Callable[[], str]
    ) -> None:
        """Render and tick until `close`. `parts` names every fragment of the page."""
        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        next_tick = self._loop.time() + TICK_S
        while not self._closing:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), max(0, next_tick - self._loop.time()))
            if self._wake.is_set():
                self._wake.clear()
                await self._render(render, parts())
                await asyncio.sleep(RENDER_EVERY_S)
            if self._loop.time() >= next_tick:
                next_tick = self._loop.time() + TICK_S
                self._send(Message("tick", tick()))

    async def _render(self, render: Render, parts: list[str]) -> None:
        changed, self._changed = self._changed, set()
        fresh = []
        for name in parts:
            if name.startswith("prop-") and name[5:] not in changed:
                continue
            html = render(name)
            if self._shown.get(name) != html:
                self._shown[name] = html
                fresh.append(html)
                self.rendered += 1
            await asyncio.sleep(0)  # steps under a millisecond: motions go first
        if fresh:
            self._send(Message(None, "".join(fresh)))

    def _send(self, message: Message) -> None:
        for phone in self.phones:
            if phone.behind:
                continue
            try:
                phone.queue.put_nowait(message)
            except asyncio.QueueFull:
                phone.behind = True

    async def listen(
        self, snapshot: Callable[[], str], tick: Callable[[], str]
    ) -> AsyncIterator[Message]:
        """Yield one phone's stream: the whole first, then what changes."""
        phone = Phone()
        self.phones.add(phone)
        try:
            while not self._closing:
                if phone.behind:
                    while not phone.queue.empty():
                        phone.queue.get_nowait()
                    phone.behind = False
                    yield Message("tick", tick())
                    yield Message(None, snapshot())
                message = await phone.queue.get()
                if message is None:
                    return
                yield message
        finally:
            self.phones.discard(phone)

    def close_soon(self) -> None:
        """Thread-safe and safe in a signal handler: `close` on the loop's next turn."""
        self._closing = True
        if self._loop is not None:
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self.close)

    def close(self) -> None:
        """End every stream, so that the server can stop."""
        self._closing = True
        if self._wake is not None:
            self._wake.set()
        for phone in self.phones:
            with suppress(asyncio.QueueFull):
                phone.queue.put_nowait(None)
            if phone.queue.full():
                phone.queue.get_nowait()
                phone.queue.put_nowait(None)


def tick_data(at_ms: int, seq: int, *, stopped: bool) -> str:
    return json.dumps({"at_ms": at_ms, "seq": seq, "stopped": stopped})
