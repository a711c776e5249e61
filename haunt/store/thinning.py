"""Which backups are worth their room, and the removal of the others: fewer, the older they are."""

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Final, get_args

from haunt.core.calendar import DAY_MS, HOUR_MS
from haunt.store.backup import Backup, Why, found_in
from haunt.store.files import alone

TOTAL_BYTES_MAX: Final = 2 * 1024**3
HOURS_KEPT, DAYS_KEPT, OTHERS_KEPT = 24, 14, 5
WHYS: Final[frozenset[str]] = frozenset(get_args(Why))


def thin(folder: Path, keep: str, total_bytes_max: int = TOTAL_BYTES_MAX) -> list[str]:
    """Remove what need not be kept any more; return the names.

    `keep` stays whatever its time, and so does the newest scheduled one: were it pushed out by
    some that were made by hand, the next would be due at once.
    """
    with alone(folder):
        present = found_in(folder)
        wanted = {each.name for each in worth_keeping(present)} | {keep}
        left = [each for each in present if each.name in wanted]
        spared = {keep, *[each.name for each in left if each.why == "scheduled"][:1]}
        total = sum(each.size_bytes for each in left)
        for oldest in [each for each in reversed(left) if each.name not in spared]:
            if total <= total_bytes_max:
                break
            left.remove(oldest)
            total -= oldest.size_bytes
        gone = [each for each in present if each not in left]
        for each in gone:
            shutil.rmtree(each.path)
    return [each.name for each in gone]


def worth_keeping(backups: Sequence[Backup]) -> list[Backup]:
    """Of the scheduled the newest of each of 24 hours and 14 days that have any; of others five.

    Hours and days are those that there are, so that a winter without a night removes nothing.
    """
    newest_first = sorted(backups, key=lambda each: (each.at_ms, each.name), reverse=True)
    scheduled = [each for each in newest_first if each.why == "scheduled"]
    kept = {
        *_newest_of_each(scheduled, HOUR_MS, HOURS_KEPT),
        *_newest_of_each(scheduled, DAY_MS, DAYS_KEPT),
    }
    for why in WHYS - {"scheduled"}:
        kept.update([each.name for each in newest_first if each.why == why][:OTHERS_KEPT])
    return [each for each in newest_first if each.name in kept]


def _newest_of_each(newest_first: Sequence[Backup], span_ms: int, count: int) -> list[str]:
    spans: dict[int, str] = {}
    for each in newest_first:
        spans.setdefault(each.at_ms // span_ms, each.name)
    return list(spans.values())[:count]
