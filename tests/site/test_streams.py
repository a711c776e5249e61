"""Goal: a stream holds its slot exactly as long as it lasts, however it ends.

Method: the response called as a server calls it, with a phone that leaves at a chosen moment.
"""

import asyncio
from collections.abc import AsyncIterator

import pytest
from starlette.types import Message as AsgiMessage

from haunt.site.hub import Message
from haunt.site.streams import LiveStream, Slots
from tests.site.leaping import run_leaping

SCOPE = {"type": "http", "asgi": {"spec_version": "2.3"}}


class Guests:
    """Who is in; and messages for them, one a second, for ever."""

    def __init__(self) -> None:
        self.inside: list[int] = []
        self.sent: list[bytes] = []
        self.leave_at_s: float | None = None

    def join(self) -> int:
        self.inside.append(1)
        return 1

    def leave(self, guest: int) -> None:
        self.inside.remove(guest)

    async def messages(self, _guest: int) -> AsyncIterator[Message]:
        while True:
            yield Message(None, "<b>one</b>\n<b>two</b>")
            await asyncio.sleep(1)

    async def receive(self) -> AsgiMessage:
        if self.leave_at_s is None:
            await asyncio.Event().wait()
        await asyncio.sleep(self.leave_at_s or 0)
        return {"type": "http.disconnect"}

    async def send(self, message: AsgiMessage) -> None:
        self.sent.append(message.get("body", b""))


def stream(slots: Slots, guests: Guests) -> LiveStream[int]:
    return LiveStream(slots, guests.join, guests.messages, guests.leave)


@pytest.mark.parametrize("leave_at_s", [0.0, 0.5, 3.5])
def test_a_phone_that_leaves_gives_its_slot_back(leave_at_s: float) -> None:
    slots, guests = Slots(), Guests()
    guests.leave_at_s = leave_at_s

    run_leaping(stream(slots, guests)(SCOPE, guests.receive, guests.send))

    assert (slots.taken, guests.inside) == (0, [])


def test_a_slot_is_taken_while_the_stream_lasts_and_each_line_is_framed() -> None:
    async def story() -> None:
        slots, guests = Slots(most=1), Guests()
        task = asyncio.create_task(stream(slots, guests)(SCOPE, guests.receive, guests.send))
        await asyncio.sleep(0.5)

        assert slots.full
        assert guests.sent[1] == b"data: <b>one</b>\ndata: <b>two</b>\n\n"
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert (slots.full, guests.inside) == (False, [])

    run_leaping(story())


def test_a_send_that_fails_gives_the_slot_back() -> None:
    async def send(_message: AsgiMessage) -> None:
        raise OSError("the phone's battery is flat")

    slots, guests = Slots(), Guests()

    with pytest.raises(OSError, match="flat"):
        run_leaping(stream(slots, guests)(SCOPE, guests.receive, send))

    assert (slots.taken, guests.inside) == (0, [])
