"""The same work on many things at once: a process a core, each given once what all share.

Small work stays in this process: a worker takes half a second to start.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Final, TypeVar, cast

from haunt.study.progress import Progress, quiet

JOBS_MAX: Final = 16
Shared = TypeVar("Shared")
Item = TypeVar("Item")
Result = TypeVar("Result")

_given: tuple[Callable[..., object], object] | None = None


@contextmanager
def pooled(
    work: Callable[[Shared, Item], Result],
    shared: Shared,
    total: int,
    progress: Progress = quiet,
    jobs: int | None = None,
) -> Iterator[Callable[[Sequence[Item]], list[Result]]]:
    """Give what does `work` on a list, in order; it may be asked again until `total` are done.

    `work` is a function of a module; what is shared and the items travel to other processes.
    """
    counter = _Counter(total, progress)
    workers = min(jobs or os.cpu_count() or 1, JOBS_MAX, max(1, total))
    if workers < 2:
        yield lambda items: [_passed(counter, work(shared, each)) for each in items]
        return
    context = get_context("spawn")  # a fork would copy whatever thread held a lock
    with ProcessPoolExecutor(workers, context, _receive, (work, shared)) as pool:
        yield lambda items: [_passed(counter, cast(Result, each)) for each in pool.map(_do, items)]


class _Counter:
    def __init__(self, total: int, progress: Progress) -> None:
        self._done, self._total, self._progress = 0, total, progress
        progress(0, total)

    def one_more(self) -> None:
        self._done += 1
        self._progress(min(self._done, self._total), self._total)


def _passed(counter: _Counter, result: Result) -> Result:
    counter.one_more()
    return result


def _receive(work: Callable[..., object], shared: object) -> None:
    global _given  # noqa: PLW0603 - a worker is given what all share once, not with every item
    _given = (work, shared)


def _do(item: object) -> object:
    assert _given is not None, "a worker is given its work when it starts"
    work, shared = _given
    return work(shared, item)
