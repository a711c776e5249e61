"""Goal: every value that a cooldown had can be found again, with who set it.

Method: versions of a show file kept one after the other.
"""

from pathlib import Path

from haunt.store.shows import ShowShelf, ShowVersion, cooldowns_of
from tests.core.stage import EVENING
from tests.store.stage import opened

SHOW = '[[prop]]\nid = "gate"\ncooldown_s = {}\n'


def test_only_changes_of_this_prop_are_told_newest_first(tmp_path: Path, url: str) -> None:
    with opened(tmp_path, url) as found:
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


def test_versions_come_newest_first_with_their_text(tmp_path: Path, url: str) -> None:
    with opened(tmp_path, url) as found:
        for n, by in enumerate(("start", "ann", "bob")):
            found.writer.save_show(SHOW.format(20 + n), by, EVENING + n)
        shelf = ShowShelf(found.writing)

        assert [each[:3] for each in shelf.versions(2)] == [
            (3, EVENING + 2, "bob"),
            (2, EVENING + 1, "ann"),
        ]
        assert [each.version for each in shelf.versions(5, before=3)] == [2, 1]
        assert shelf.version(2) == ShowVersion(2, EVENING + 1, "ann", SHOW.format(21))
        assert shelf.version(4) is None
        assert shelf.version(0) is None
