"""Tries many settings on recorded nights, in as many processes as pay."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from haunt.bootstrap.cores import pooled
from haunt.study.progress import Progress, quiet
from haunt.study.sweep import Attempts, Night, Setting, Trial, attempt

SMALL: Final = 150_000
"""Motions times settings below which other processes do not pay: about two seconds of one core."""


@contextmanager
def trials(
    nights: Sequence[Night], settings: int, progress: Progress = quiet, jobs: int | None = None
) -> Iterator[Attempts]:
    """Give what tries settings on these nights; `settings` is how many there will be in all."""
    motions = sum(len(each.recording.outside) for each in nights)
    if jobs is None and motions * settings < SMALL:
        jobs = 1
    with pooled(_attempt, tuple(nights), settings, progress, jobs) as tried:
        yield tried


def _attempt(nights: tuple[Night, ...], setting: Setting) -> tuple[Trial, ...]:
    return tuple(attempt(night, setting) for night in nights)
