"""Goal: phones that show the same page cost hardly more than one of them.

Method: the real hub on a clock that leaps; what is asked of a page and put together is counted.
"""

import asyncio
from collections import Counter

from haunt.site.fragments import wants_of
from haunt.site.hub import RENDER_EVERY_S, Hub, Phone, Wants
from tests.site.leaping import run_leaping
from tests.site.test_hub import CountingParts, a_hub, received


class PuttingParts(CountingParts):
    def __init__(self) -> None:
        super().__init__()
        self.put: Counter[str] = Counter()

    def swap(self, name: str, html: str) -> str:
        self.put[name] += 1
        return super().swap(name, html)


def asked(of: Counter[str]) -> Wants:
    def wants(part: str) -> bool:
        of[part] += 1
        return True

    return wants


async def counted(phones: int) -> tuple[Counter[str], Counter[str], list[Phone]]:
    """Return what one change cost: questions by part, swaps by part, and the phones."""
    questions, parts = Counter[str](), PuttingParts()
    hub, wants = Hub(), asked(questions)
    heart = asyncio.create_task(hub.run(parts))
    joined = [hub.join(wants) for _ in range(phones)]
    await asyncio.sleep(1)
    questions.clear()
    parts.put.clear()
    parts.text = "new"
    hub.notify(frozenset(("owl",)))
    await asyncio.sleep(RENDER_EVERY_S * 2)
    hub.close()
    await heart
    return questions, parts.put, joined


def test_two_hundred_phones_on_one_page_are_asked_as_one() -> None:
    async def story() -> None:
        one = await counted(1)
        many = await counted(200)

        assert many[0] == one[0]
        assert many[1] == one[1] == Counter({"bar": 1, "prop-owl": 1})

    run_leaping(story())


def test_pages_that_show_different_parts_are_put_together_apart() -> None:
    async def story() -> None:
        async with a_hub() as (hub, _):
            whole, bar = hub.join(wants_of("tonight")), hub.join(wants_of("alerts"))
            again = hub.join(wants_of("tonight"))
            await asyncio.sleep(1)

            texts = ["".join(e.data for e in received(each)) for each in (whole, bar, again)]

            assert texts[0] == texts[2]
            assert "prop-owl" in texts[0]
            assert "bar:" in texts[1]
            assert "prop-owl" not in texts[1]

    run_leaping(story())
