"""What the command line does to the pools of lines of a data folder, whether or not a server runs.

Nothing here changes the show file: the server that runs, or the next one, lets it follow.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from haunt.bootstrap.clock import now_ms
from haunt.bootstrap.offline import open_store, text_of
from haunt.bootstrap.recordings import show_of
from haunt.bootstrap.voices import Card, VoiceFailed, Voices, write_cards
from haunt.config import Config
from haunt.store.linerows import LineStore
from haunt.store.refusal import StoreRefused
from haunt.study.pools.making import MADE, make_lines, own_sentences, too_few
from haunt.study.pools.pool import IMPORT, PoolLine, State, behaviours, standing
from haunt.study.pools.reading import Entry, read_lines
from haunt.study.progress import Progress
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showmodels import ShowFile


class Refused(Exception):  # noqa: N818 - the word says what happened
    """Nothing was done: each fault, or what stands in the way."""

    def __init__(self, what: str, faults: Sequence[Fault] = ()) -> None:
        super().__init__(what)
        self.faults = tuple(faults)


class Imported(NamedTuple):
    """Of all that were read so many are new to their pools."""

    read: int
    added: int


class Desk:
    """One data folder: its show, its pools, its sounds. Raises Refused."""

    def __init__(self, config: Config) -> None:
        writing, reading = open_store(config)
        file = show_of(reading)
        if isinstance(file, str):
            raise Refused(file)
        self.file: ShowFile = file
        self.store = LineStore(writing, reading)
        self.voices = Voices(config.data)

    def pool(self, prop: str, behaviour: str) -> list[PoolLine]:
        for prop_, behaviour_, entries in behaviours(self.file):
            if (prop_, behaviour_) == (prop, behaviour):
                return standing(prop, behaviour, entries, self.store.of(prop, behaviour))
        there = ", ".join(f"{p}.{b}" for p, b, _entries in behaviours(self.file))
        raise Refused(f"there is no behaviour {prop}.{behaviour}; there are {there}")

    def every(self) -> list[PoolLine]:
        rows = self.store.every()
        return [
            line
            for prop, behaviour, entries in behaviours(self.file)
            for line in standing(
                prop,
                behaviour,
                entries,
                [e for e in rows if (e.prop, e.behaviour) == (prop, behaviour)],
            )
        ]

    def add(self, lines: Sequence[PoolLine]) -> int:
        known = {(e.prop, e.behaviour, e.name) for e in self.every()}
        try:
            return self.store.add([e for e in lines if (e.prop, e.behaviour, e.name) not in known])
        except StoreRefused as refused:
            raise Refused(str(refused)) from refused


def import_lines(config: Config, path: Path, prop: str, behaviour: str) -> Imported:
    """All of a file, or nothing. Raises Refused with every fault."""
    try:
        found = read_lines(text_of(path), str(path))
    except ShowFileRefused as refused:
        raise Refused("the file cannot be read", refused.faults) from refused
    if found.faults:
        raise Refused("nothing was taken", found.faults)
    desk, now = Desk(config), now_ms()
    lines = [each.fresh(prop, behaviour, IMPORT, now, IMPORT) for each in found.entries]
    for each in dict.fromkeys((e.prop, e.behaviour) for e in lines):
        desk.pool(*each)
    return Imported(len(lines), desk.add(lines))


def prepare_lines(  # noqa: PLR0913, PLR0917 - an option a parameter
    config: Config,
    prop: str,
    behaviour: str,
    count: int,
    own: Path | None,
    seed: int | None,
    progress: Progress,
) -> list[str]:
    """Make lines for one behaviour and add them as new. Raises Refused where nothing came of it."""
    desk = Desk(config)
    pool = desk.pool(prop, behaviour)
    sentences = (
        own_sentences(e for e in desk.every() if e.prop == prop) if own is None else _sentences(own)
    )
    lack = too_few(sentences)
    if lack:
        raise Refused(f"{lack}: bring more in, or name a file of them by --from")
    known = [each.text for each in pool]
    made = make_lines(sentences, count, len(pool) if seed is None else seed, known, progress)
    if not made.lines:
        raise Refused("these sentences share too few words to make others of them: bring more in")
    now = now_ms()
    desk.add([Entry(each).fresh(prop, behaviour, MADE, now, MADE) for each in made.lines])
    return list(made.lines)


def render_lines(config: Config, out: Path | None, progress: Progress) -> tuple[int, int]:
    """Make a sound of each line that is not struck; return how many were made and copied.

    With `out` the kept ones are also written there, a folder a board. Raises Refused.
    """
    desk = Desk(config)
    lines = [each for each in desk.every() if each.state is not State.STRUCK]
    try:
        made = desk.voices.make(desk.file, lines, progress)
    except VoiceFailed as failed:
        raise Refused(str(failed)) from failed
    if out is None:
        return made, 0
    cards = [
        Card(board.id, tuple(e for e in lines if e.state is State.KEPT and e.prop in props))
        for board in desk.file.boards
        if (props := {each.id for each in desk.file.props if each.board == board.id})
    ]
    return made, write_cards([e for e in cards if e.lines], desk.voices, desk.file, out)


def list_lines(config: Config, prop: str | None, state: State | None) -> list[dict[str, Any]]:
    """Return every line that is asked for, with its length. Raises Refused."""
    desk = Desk(config)
    return [
        {
            "prop": each.prop,
            "behaviour": each.behaviour,
            "name": each.name,
            "line": each.text,
            "intensity": each.intensity,
            "state": each.state.value,
            "source": each.source,
            "by": each.by,
            "seconds": round(desk.voices.lasting_s(desk.file, each), 2),
        }
        for each in desk.every()
        if (prop is None or each.prop == prop) and (state is None or each.state is state)
    ]


def _sentences(path: Path) -> list[str]:
    found = read_lines(text_of(path), str(path))
    if found.faults:
        raise Refused("nothing was made", found.faults)
    return [each.text for each in found.entries]
