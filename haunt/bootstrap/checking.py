"""Reads a show file and has every sum done over it. Imports little: `haunt check` is quick."""

from pathlib import Path
from typing import Any

from haunt.bootstrap.clock import sunset_of
from haunt.live.why.words import count
from haunt.study.findings.book import Book, as_json, look
from haunt.study.findings.kinds import Severity
from haunt.study.findings.words import lines
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show


class Checked:
    """What a look at a file came to: its faults, or its book of findings."""

    def __init__(self, faults: ShowFileRefused | None, book: Book | None) -> None:
        self._faults, self._book = faults, book

    @property
    def must_be_mended(self) -> bool:
        return self._book is None or bool(self._book.of(Severity.MUST))

    def as_json(self) -> dict[str, Any]:
        faults = () if self._faults is None else self._faults.faults
        listed = [
            {"line": each.line, "key": each.key, "what": each.what, "allowed": each.allowed}
            for each in faults
        ]
        return {"faults": listed, **(as_json(self._book) if self._book is not None else {})}

    def lines(self) -> list[str]:
        if self._book is not None:
            return list(lines(self._book))
        assert self._faults is not None
        faults = self._faults.faults
        return [*(str(each) for each in faults), count(len(faults), "fault")]


def check_file(path: Path) -> Checked:
    try:
        read = read_show(path.read_text(encoding="utf-8"), str(path))
    except ShowFileRefused as refused:
        return Checked(refused, None)
    return Checked(None, look(read, sunset_of(read.show)))
