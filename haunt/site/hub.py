"""The live stream's heart: a changed part is rendered once for all phones, four times a second.

Nothing here waits for a phone. One that does not keep up loses its queue and gets the whole of
its page anew.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

RENDER_EVERY_S = 0.25
TICK_S = 2.0
QUEUE_MAX = 64


class Message(NamedTuple):
    """One message of a stream: `event` None is swapped into the page."""

    event: str | None
    data: str


class Part(NamedTuple):
    """A piece of a page with an element id of its own.

    `prop` names the prop that it shows alone; a part of None is looked at on every change.
    `view` is what it is drawn from: another object is drawn anew, even if nobody named it.
    """

    name: str
    prop: str | None = None
    view: object = None


class Parts(Protocol):
    """What the pages are made of. Called on the loop; must not wait."""

    def all(self) -> Sequence[Part]: ...
    def html(self, name: str, dialect: str) -> str: ...
    def swap(self, name: str, html: str) -> str: ...
    def tick(self) -> str: ...


Wants = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Shown:
    """A part as phones have it, and the view it was drawn from."""

    html: str
    view: object


@dataclass(slots=True, eq=False)
class Phone:
    """One open page: which parts it shows, in which dialect, and what it has still to be sent.

    Phones that write times differently have parts that differ; each dialect is drawn once.
    """

    wants: Wants
    dialect: str = ""
    queue: asyncio.Queue[Message | None] = field(default_factory=lambda: asyncio.Queue(QUEUE_MAX))
    behind: bool = True

    def send(self, message: Message) -> None:
        if self.behind:
            return
        try:
            self.queue.put_nowait(message)
        except asyncio.QueueFull:
            self.behind = True

    def start_anew(self, *messages: Message | None) -> None:
        while not self.queue.empty():
            self.queue.get_nowait()
        for message in messages:
            self.queue.put_nowait(message)
        self.behind = False


class Hub:
    """`notify` and `close_soon` may be called from any thread; all else on the loop of `run`."""

    def __init__(self) -> None:
        self.phones: set[Phone] = set()
        self.rendered = 0
        self._changed: set[str] = set()
        self._shown: dict[str, dict[str, Shown]] = {}
        self._wake: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closing = False

    @property
    def closing(self) -> bool:
        return self._closing

    def notify(self, changed: frozenset[str]) -> None:
        """Name the props that may look different now; nobody looking costs nothing."""
        loop = self._loop
        if loop is not None and self.phones:
            with suppress(RuntimeError):  # the loop is closing: nobody looks any more
                loop.call_soon_threadsafe(self._note, changed)

    def _note(self, changed: frozenset[str]) -> None:
        self._changed.update(changed)
        if self._wake is not None:
            self._wake.set()

    def join(self, wants: Wants, dialect: str = "") -> Phone:
        """Its first messages are a tick and the whole. Whoever joins must `leave`."""
        phone = Phone(wants, dialect)
        self.phones.add(phone)
        if self._closing:
            phone.start_anew(None)
        self._note(frozenset())
        return phone

    def leave(self, phone: Phone) -> None:
        self.phones.discard(phone)

    async def listen(self, phone: Phone) -> AsyncIterator[Message]:
        while (message := await phone.queue.get()) is not None:
            yield message

    async def run(self, parts: Parts) -> None:
        """Render and tick until `close`."""
        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        if self.phones:  # one may have joined before
            self._wake.set()
        next_tick = next_render = self._loop.time()
        while not self._closing:
            now = self._loop.time()
            if now >= next_tick:
                next_tick = now + TICK_S
                self._tell(Message("tick", parts.tick()))
            if self._wake.is_set() and now >= next_render:
                next_render = now + RENDER_EVERY_S
                self._wake.clear()
                await self._render(parts)
            if self._wake.is_set():
                await asyncio.sleep(max(0.0, min(next_tick, next_render) - self._loop.time()))
            else:
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._wake.wait(), next_tick - self._loop.time())

    async def _render(self, parts: Parts) -> None:
        present = tuple(self.phones)  # one that joins meanwhile is served by the next round
        changed, self._changed = self._changed, set()
        before, self._shown = self._shown, {}
        for dialect in sorted({phone.dialect for phone in present}):
            alike = [phone for phone in present if phone.dialect == dialect]
            shown = before.get(dialect, {})
            self._shown[dialect], fresh = await self._draw(parts, dialect, alike, shown, changed)
            every = {name: each.html for name, each in self._shown[dialect].items()}
            news = _Alike(parts, fresh)
            whole = _Alike(parts, every)
            for phone in alike:
                if phone.behind:
                    tick = Message("tick", parts.tick())
                    phone.start_anew(tick, *whole.swaps(phone.wants))
                    await asyncio.sleep(0)
                else:
                    for message in news.swaps(phone.wants):
                        phone.send(message)

    async def _draw(
        self,
        parts: Parts,
        dialect: str,
        present: Collection[Phone],
        before: Mapping[str, Shown],
        changed: Collection[str],
    ) -> tuple[dict[str, Shown], dict[str, str]]:
        """Bring what somebody looks at up to date; return all, and what looks different now."""
        fresh: dict[str, str] = {}
        shown: dict[str, Shown] = {}
        wanted = {phone.wants for phone in present}  # phones on one page share theirs
        for part in parts.all():
            if not any(wants(part.name) for wants in wanted):
                continue  # forgotten, so that whoever wants it later gets it new
            known = before.get(part.name)
            is_old = known is None or part.prop is None or known.view is not part.view
            if is_old or part.prop in changed:
                html = parts.html(part.name, dialect)
                self.rendered += 1
                if known is None or html != known.html:
                    fresh[part.name] = html
                known = Shown(html, part.view)
                await asyncio.sleep(0)  # steps under a millisecond: motions go first
            assert known is not None
            shown[part.name] = known
        return shown, fresh

    def _tell(self, message: Message) -> None:
        for phone in self.phones:
            phone.send(message)

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
            phone.start_anew(None)


class _Alike:
    """The swaps of one moment, put together once for all phones that show the same."""

    def __init__(self, parts: Parts, html: Mapping[str, str]) -> None:
        self._parts, self._html = parts, html
        self._made: dict[Wants, list[Message]] = {}

    def swaps(self, wants: Wants) -> list[Message]:
        """Return at most one message: all swaps of a moment arrive at once or not at all."""
        if wants not in self._made:
            wanted = [self._parts.swap(n, each) for n, each in self._html.items() if wants(n)]
            self._made[wants] = [Message(None, "".join(wanted))] if wanted else []
        return self._made[wants]


def tick_data(at_ms: int, seq: int, *, stopped: bool, outline: str, **news: int) -> str:
    """Say the server's time and how far the night is.

    A `seq` that stands still tells a page that the night does, though the stream lives. `outline`
    differs when the list of props has changed and the page must be loaded anew. `news` is what a
    page shows in its title or sounds for.
    """
    found = {"at_ms": at_ms, "seq": seq, "stopped": stopped, "outline": outline}
    return json.dumps(found | news)
