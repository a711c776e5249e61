"""Goal: one rendering serves all phones, a slow phone harms nobody, and closing ends all streams.

Method: the real hub on an event loop whose clock leaps, with parts that count their renderings.
"""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise

from haunt.site.hub import QUEUE_MAX, RENDER_EVERY_S, TICK_S, Hub, Message, Part, Phone, tick_data
from tests.site.leaping import run_leaping


class CountingParts:
    """Two parts, `bar` and one prop, whose text is whatever was said last."""

    def __init__(self) -> None:
        self.text = "as it was"
        self.drawn: list[tuple[str, float]] = []

    def all(self) -> list[Part]:
        return [Part("bar"), Part("prop-owl", "owl")]

    def html(self, name: str, dialect: str) -> str:  # noqa: ARG002 - the port's word
        self.drawn.append((name, asyncio.get_running_loop().time()))
        return f"<{name}>{self.text}"

    def swap(self, name: str, html: str) -> str:
        return f"{name}:{html};"

    def tick(self) -> str:
        return tick_data(1, 2, stopped=False, outline="o")


@asynccontextmanager
async def a_hub() -> AsyncIterator[tuple[Hub, CountingParts]]:
    hub, parts = Hub(), CountingParts()
    heart = asyncio.create_task(hub.run(parts))
    await asyncio.sleep(0)
    try:
        yield hub, parts
    finally:
        hub.close()
        await heart


def everything(_part: str) -> bool:
    return True


def received(phone: Phone) -> list[Message]:
    found = []
    while not phone.queue.empty():
        message = phone.queue.get_nowait()
        assert message is not None
        found.append(message)
    return found


def test_a_phone_that_joins_gets_a_tick_and_then_the_whole() -> None:
    async def story() -> None:
        async with a_hub() as (hub, _):
            phone = hub.join(everything)
            await asyncio.sleep(RENDER_EVERY_S * 2)

            tick, whole = received(phone)[:2]
            assert tick.event == "tick"
            assert json.loads(tick.data) == {"at_ms": 1, "seq": 2, "stopped": False, "outline": "o"}
            assert whole.event is None
            assert "bar:" in whole.data
            assert "prop-owl:" in whole.data

    run_leaping(story())


def test_a_change_is_drawn_once_for_all_phones_and_sent_to_each() -> None:
    async def story() -> None:
        async with a_hub() as (hub, parts):
            phones = [hub.join(everything) for _ in range(5)]
            await asyncio.sleep(1)
            for phone in phones:
                received(phone)
            parts.drawn.clear()
            parts.text = "new"

            hub.notify(frozenset(("owl",)))
            await asyncio.sleep(RENDER_EVERY_S * 2)

            assert [name for name, _ in parts.drawn] == ["bar", "prop-owl"]
            for phone in phones:
                [news] = [each for each in received(phone) if each.event is None]
                assert "prop-owl:<prop-owl>new;" in news.data

    run_leaping(story())


def test_a_phone_gets_only_the_parts_that_its_page_shows() -> None:
    async def story() -> None:
        async with a_hub() as (hub, parts):
            phone = hub.join(lambda part: part == "bar")
            await asyncio.sleep(1)

            texts = "".join(each.data for each in received(phone) if each.event is None)
            assert "bar:" in texts
            assert "prop-owl" not in texts
            assert {name for name, _ in parts.drawn} == {"bar"}

    run_leaping(story())


def test_many_changes_are_drawn_at_most_four_times_a_second() -> None:
    async def story() -> None:
        async with a_hub() as (hub, parts):
            hub.join(everything)
            for number in range(200):
                parts.text = str(number)
                hub.notify(frozenset(("owl",)))
                await asyncio.sleep(0.01)
            await asyncio.sleep(1)

            times = [at for name, at in parts.drawn if name == "bar"]
            gaps = [after - before for before, after in pairwise(times)]
            assert 8 <= len(times) <= 11
            assert min(gaps) >= RENDER_EVERY_S - 1e-6

    run_leaping(story())


def test_a_phone_that_does_not_read_is_behind_and_later_gets_the_whole_and_nothing_old() -> None:
    async def story() -> None:
        async with a_hub() as (hub, parts):
            asleep, awake = hub.join(everything), hub.join(everything)
            for number in range(QUEUE_MAX * 2):
                parts.text = str(number)
                hub.notify(frozenset(("owl",)))
                await asyncio.sleep(RENDER_EVERY_S)
                received(awake)
                if asleep.behind:
                    break
            assert asleep.behind
            assert not awake.behind

            parts.text = "the last"
            hub.notify(frozenset(("owl",)))
            await asyncio.sleep(RENDER_EVERY_S * 2)

            assert not asleep.behind
            texts = [each.data for each in received(asleep) if each.event is None]
            assert "the last" in texts[0]
            assert not any("<bar>0" in each for each in texts)

    run_leaping(story())


def test_a_tick_comes_every_two_seconds_when_nothing_changes() -> None:
    async def story() -> None:
        async with a_hub() as (hub, _):
            phone = hub.join(everything)
            await asyncio.sleep(1)
            received(phone)

            await asyncio.sleep(TICK_S * 5)

            assert [each.event for each in received(phone)] == ["tick"] * 5

    run_leaping(story())


def test_closing_ends_every_stream_even_of_a_phone_with_a_full_queue() -> None:
    async def story() -> None:
        hub, parts = Hub(), CountingParts()
        heart = asyncio.create_task(hub.run(parts))
        await asyncio.sleep(0)
        reading, full = hub.join(everything), hub.join(everything)
        while not full.queue.full():
            full.queue.put_nowait(Message("tick", "{}"))

        hub.close_soon()

        async with asyncio.timeout(5):
            ends = [[each async for each in hub.listen(phone)] for phone in (reading, full)]
            await heart
        assert ends[1] == [], "what was queued is of no use to a page that loses its server"
        late = hub.join(everything)
        async with asyncio.timeout(5):
            assert [each async for each in hub.listen(late)] == []

    run_leaping(story())


def test_a_phone_that_left_is_told_nothing_more() -> None:
    async def story() -> None:
        async with a_hub() as (hub, _):
            phone = hub.join(everything)
            await asyncio.sleep(1)
            hub.leave(phone)
            received(phone)
            hub.notify(frozenset(("owl",)))
            await asyncio.sleep(TICK_S * 2)

            assert hub.phones == set()
            assert received(phone) == []

    run_leaping(story())


def test_phones_of_two_dialects_have_each_part_drawn_once_in_each() -> None:
    async def story() -> None:
        async with a_hub() as (hub, parts):
            phones = [hub.join(everything, dialect) for dialect in ("24", "12", "12", "24")]
            await asyncio.sleep(1)
            assert sorted(name for name, _ in parts.drawn) == ["bar"] * 2 + ["prop-owl"] * 2
            for phone in phones:
                assert "prop-owl:" in received(phone)[1].data
            parts.drawn.clear()
            hub.leave(phones[0])
            hub.leave(phones[3])
            parts.text = "as it is"
            hub.notify(frozenset(("owl",)))
            await asyncio.sleep(1)

            assert [name for name, _ in parts.drawn] == ["bar", "prop-owl"]
            assert "as it is" in received(phones[1])[-1].data

    run_leaping(story())
