"""Waits for the owner's answer to an order, for as long as a person waits and no longer."""

import asyncio
from concurrent.futures import Future

from haunt.live.crew import Answer

ANSWER_S = 3.0


async def answered(future: "Future[Answer]", *, keep: bool = False) -> Answer:
    """Raise TimeoutError, which pages tell in words, and take the order back; `keep` does not.

    A late fright is worse than none; a late stop is better than none.
    """
    waiting: asyncio.Future[Answer] = asyncio.wrap_future(future)
    return await asyncio.wait_for(asyncio.shield(waiting) if keep else waiting, ANSWER_S)


def outcome_of(decisions: Answer) -> str:
    """Say for the logbook what a firing by hand came to, with its reason."""
    return "; ".join(f"{e.outcome.value} {e.reason or ''}".strip() for e in decisions) or "nothing"
