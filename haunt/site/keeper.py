"""The show file as it is kept and changed while the night runs: checked whole, then one event."""

import json
import threading
from collections.abc import Callable
from typing import Any, Protocol

from haunt.live.crew import Crew
from haunt.live.errors import CrewMistake
from haunt.live.prepare import prepare
from haunt.site.answers import ANSWER_S
from haunt.site.ports import KeptShow, ShowMovedOn
from haunt.wire.showedit import set_values
from haunt.wire.showerrors import NoSuchTable
from haunt.wire.showfile import ReadShow, read_show, show_from_json, show_to_json, show_to_toml


class SaveShow(Protocol):
    def __call__(self, text: str, by: str, at_ms: int) -> int:
        """Keep the text as the newest version and return its number."""
        ...


class Keeper:
    """Satisfies `site.ports.ShowKeeper`. Changes come one at a time; none is half done."""

    answer_s = ANSWER_S

    def __init__(
        self,
        read: ReadShow,
        crew: Crew,
        save: SaveShow,
        wall_ms: Callable[[], int],
        seed: int,
        version: int = 0,
    ) -> None:
        self._now = (version, read)  # one value, so that readers need no lock
        self._crew, self._save = crew, save
        self._wall_ms, self._seed = wall_ms, seed
        self._one = threading.Lock()

    @property
    def _read(self) -> ReadShow:
        return self._now[1]

    def toml(self) -> str:
        return self._read.text

    def kept(self) -> KeptShow:
        version, read = self._now
        return KeptShow(version, read.text)

    def as_json(self) -> dict[str, Any]:
        return show_to_json(self._read.show)

    def put(self, text: str, by: str, on: int | None = None) -> int:
        """Take a whole show file, TOML, or JSON after `json:`. Raises ShowFileRefused.

        With `on` only while that version is the newest, else ShowMovedOn.
        """
        try:
            if text.startswith("json:"):
                text = show_to_toml(show_from_json(json.loads(text[5:])))
            read = read_show(text, "show")
        except (ValueError, RecursionError) as fault:  # the latter: lists in lists without end
            said = str(fault)[:200]
            raise CrewMistake(f"the body is no JSON: {said}", about="show") from fault
        with self._one:
            if on is not None and on != self._now[0]:
                raise ShowMovedOn(self._now[0])
            return self._take(read, by)

    def patch_prop(self, prop: str, values: dict[str, Any], by: str) -> int:
        """Change some settings of one prop, comments kept. Raises ShowFileRefused, CrewMistake."""
        with self._one:
            try:
                read = set_values(self._read, "prop", prop, values)
            except NoSuchTable as fault:
                raise CrewMistake(str(fault), about=prop, missing=True) from fault
            return self._take(read, by)

    def _take(self, read: ReadShow, by: str) -> int:
        if read.show.info.id != self._read.show.info.id:
            raise CrewMistake(
                f"this server runs the show {self._read.show.info.id!r}; a show with another id "
                "needs a data folder of its own",
                about="show.id",
            )
        prepared = prepare(read.show, self._seed)
        version = self._save(read.text, by, self._wall_ms())
        order = self._crew.change_show(prepared.show, version, by, prepared.labels)
        try:
            order.result(self.answer_s)
        except TimeoutError:
            if order.cancel() or (order.done() and order.exception() is not None):
                # The night never took it: a restart must not find what does not run.
                self._now = (self._save(self._read.text, by, self._wall_ms()), self._read)
                raise
            # It is being taken at this moment; the answer is late, not the change.
        self._now = (version, read)
        return version
