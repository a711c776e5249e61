"""Goal: every value that a cooldown had can be found again, with who set it.

Method: versions of a show file kept one after the other.
"""

from pathlib import Path

from haunt.store.shows import cooldowns_of
from tests.core.stage import EVENING
from tests.store.stage import opened

SHOW = '[[prop]]\nid = "gate"\ncooldown_s = {}\n'


def test_only_changes_of_this_prop_are_told_newest_first(tmp_path: Path) -> None:
    with opened(tmp_path) as found:
        for n, (by, text) in enumerate(
            [
                ("start", SHOW.format(20)),
                ("ann", SHOW.format(25.5)),
                ("bob", SHOW.format(25.5) + "# a comment\n"),
                ("bob", SHOW.format(20)),
            ]
        ):
            found.writer.save_show(text, by, EVENING + n)

        assert cooldowns_of(found.writing, "gate") == [
            (EVENING + 3, "bob", 20_000),
            (EVENING + 1, "ann", 25_500),
            (EVENING, "start", 20_000),
        ]
        assert cooldowns_of(found.writing, "well") == []
