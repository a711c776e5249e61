"""A response that streams server-sent events and holds a slot exactly as long as it lasts.

The slot is counted here and not in the generator: a generator that was never begun, because its
phone left first, would never give it back.
"""

from collections.abc import AsyncIterator, Callable
from functools import lru_cache
from typing import Generic, TypeVar

from fastapi.sse import EventSourceResponse, format_sse_event
from starlette.types import Receive, Scope, Send

from haunt.site.hub import Message

STREAMS_MAX = 200
QUIET = {"cache-control": "no-cache", "x-accel-buffering": "no"}

Guest = TypeVar("Guest")


class Slots:
    """How many streams are open, and how many may be."""

    def __init__(self, most: int = STREAMS_MAX) -> None:
        self.most, self.taken = most, 0

    @property
    def full(self) -> bool:
        return self.taken >= self.most


class LiveStream(EventSourceResponse, Generic[Guest]):
    """`join` makes the guest when the response begins; `leave` is called whatever happens."""

    def __init__(
        self,
        slots: Slots,
        join: Callable[[], Guest],
        messages: Callable[[Guest], AsyncIterator[Message]],
        leave: Callable[[Guest], None],
    ) -> None:
        super().__init__(self._encoded(), headers=QUIET)
        self._slots, self._join, self._messages, self._leave = slots, join, messages, leave
        self._guest: Guest | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        guest = self._guest = self._join()
        self._slots.taken += 1
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._slots.taken -= 1
            self._leave(guest)

    async def _encoded(self) -> AsyncIterator[bytes]:
        assert self._guest is not None, "a stream is iterated while it is called"
        messages = self._messages(self._guest)
        async for message in messages:
            yield _written(message)


@lru_cache(maxsize=16)
def _written(message: Message) -> bytes:
    """Phones on one page are sent the same within one turn of the loop or two."""
    return format_sse_event(data_str=message.data, event=message.event)
