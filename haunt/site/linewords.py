"""Pools of lines in words: how each stands, what was just judged, how far long work is."""

from typing import Final, NamedTuple

from haunt.site.lineports import Line, Pool
from haunt.site.view_models import Act, Notice
from haunt.site.workports import Work, WorkState
from haunt.site.workwords import HowFar, progress_of
from haunt.study.pools.pool import PoolLine, State
from haunt.wire.showmodels import ShowFile

SHORT: Final = 60
WORD: Final = {State.NEW: "New", State.KEPT: "Kept", State.STRUCK: "Struck"}
SOURCES: Final = {"import": "brought in", "prepared": "prepared", "show file": "from the show file"}


class Saying(NamedTuple):
    """One line as it is printed; `notes` are what somebody should know before keeping it."""

    name: str
    text: str
    state: str
    facts: str
    notes: tuple[str, ...]
    has_sound: bool


class Heap(NamedTuple):
    """One behaviour with its counts, as it is listed; states without a line are left out."""

    href: str
    name: str
    behaviour: str
    counts: tuple[tuple[str, int], ...]


def heap_of(file: ShowFile, pool: Pool) -> Heap:
    names = {each.id: each.name or each.id for each in file.props}
    return Heap(
        f"/lines/{pool.prop}/{pool.behaviour}",
        names.get(pool.prop, pool.prop),
        pool.behaviour,
        tuple((WORD[each].lower(), count) for each in State if (count := pool.count(each))),
    )


def lasts_s(file: ShowFile, pool: Pool) -> float:
    return next(
        each.duration_ms / 1000
        for prop in file.props
        for each in prop.behaviours
        if (prop.id, each.id) == (pool.prop, pool.behaviour)
    )


def saying_of(each: Line, lasts_s: float) -> Saying:
    line = each.line
    facts = [f"{each.seconds:.1f} s" + ("" if each.has_sound else ", reckoned")]
    if line.intensity is not None:
        facts.append(f"intensity {line.intensity}")
    facts.append(SOURCES.get(line.source, line.source))
    notes = []
    if each.seconds > lasts_s:
        notes.append(f"Longer than {line.behaviour}, which ends after {lasts_s:g} s.")
    if each.is_barred:
        notes.append("Has a barred word: not said in gentle phases.")
    return Saying(
        line.name, line.text, WORD[line.state], ", ".join(facts), tuple(notes), each.has_sound
    )


def judged_words(pool: Pool, was: str) -> Notice | None:
    """Say what was just judged, and offer the way back."""
    before, _, name = was.partition(" ")
    now = next((each.line for each in pool.lines if each.line.name == name), None)
    if now is None or before not in [*State] or before == now.state:
        return None
    path = f"/lines/{pool.prop}/{pool.behaviour}/judge"
    return Notice(
        f"{WORD[now.state]}: {_short(now)}",
        undo=Act(path, "Undo"),
        undo_name="judged",
        undo_value=f"{before} {name}",
    )


def _short(line: PoolLine) -> str:
    cut = f"{line.text[: SHORT - 1]}\N{HORIZONTAL ELLIPSIS}"
    return line.text if len(line.text) <= SHORT else cut


def brought_words(added: int | None) -> Notice | None:
    if added is None:
        return None
    if not added:
        return Notice("Nothing was new: this pool has all of them, or you struck them.", "soon")
    return Notice(f"{added} new {'line' if added == 1 else 'lines'} to keep or strike.")


def running_of(work: Work | None) -> HowFar | None:
    """Say how far it is; what is done says what came of it."""
    if work is None:
        return None
    if work.state is WorkState.DONE:
        lines = work.output.strip().splitlines()
        said = lines[0] if len(lines) == 1 else f"{len(lines)} lines prepared"
        return HowFar(is_running=False, percent=100, said=f"Done: {said}.")
    if work.state is WorkState.FAILED:
        return HowFar(is_running=False, percent=0, said=f"It failed: {work.said}.")
    return progress_of(work)
