"""Waits for the owner's answer to an order, for as long as a person waits and no longer."""

import asyncio
from concurrent.futures import Future
from typing import TypeVar

from haunt.live.crew import Answer
from haunt.live.errors import CrewMistake

Found = TypeVar("Found")

ANSWER_S = 3.0


async def answered(future: "Future[Answer]", *, keep: bool = False) -> Answer:
    """Raise TimeoutError, which pages tell in words, and take the order back; `keep` does not.

    A late fright is worse than none; a late stop is better than none.
    """
    waiting: asyncio.Future[Answer] = asyncio.wrap_future(future)
    return await asyncio.wait_for(asyncio.shield(waiting) if keep else waiting, ANSWER_S)


def known(found: Found | str, about: str) -> Found:
    """Return what a book found; where it found nothing, its words become a page."""
    if isinstance(found, str):
        raise CrewMistake(found, about=about, missing=True)
    return found


def outcome_of(decisions: Answer) -> str:
    """Say for the logbook what a firing by hand came to, with its reason."""
    return "; ".join(f"{e.outcome.value} {e.reason or ''}".strip() for e in decisions) or "nothing"
