"""Joins the pools of lines with the show: what people judge, the show file says a moment later.

Judgements are kept at once, one row each; the show changes once for all of a sitting, by the same
way as any other change of it, so that a replay finds in every version what could be said.
"""

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from haunt.bootstrap.errands import Errands, Latest
from haunt.bootstrap.voices import Voices
from haunt.live.errors import CrewMistake
from haunt.site.lineports import Line, Pool
from haunt.site.plan import edits
from haunt.site.ports import ShowKeeper
from haunt.site.workports import Work, WorkState
from haunt.store.linerows import LineStore
from haunt.store.refusal import StoreRefused
from haunt.study.pools.making import own_sentences, too_few
from haunt.study.pools.pool import IMPORT, PoolLine, State, behaviours, followed, standing
from haunt.study.pools.reading import Entry
from haunt.wire.saying import is_barred, words_in
from haunt.wire.showdraft import Draft
from haunt.wire.showedit import path_of, set_value
from haunt.wire.showerrors import NoSuchTable, ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showmodels import ShowFile

CALM_S: Final = 2.0
"""So long nobody judges before the show follows: a sitting is one version of it, not fifty."""
LONGEST_S: Final = 20.0
IDLE_S: Final = 30.0
BRING: Final = "Bring more of yours in, under Bring lines in, or write them into its behaviour."


class LineShelf:
    """Satisfies `site.lineports.LineBook`; thread-safe."""

    def __init__(
        self,
        store: LineStore,
        keeper: ShowKeeper,
        data: Path,
        errands: Errands,
        wall_ms: Callable[[], int],
        calm_s: float = CALM_S,
    ) -> None:
        self._store, self._keeper = store, keeper
        self._data, self._voices = data, Voices(data)
        self._last, self._wall_ms, self._calm_s = Latest(errands), wall_ms, calm_s
        self._read: ReadShow | None = None
        self.trouble = ""
        self._one, self._judged = threading.Lock(), threading.Event()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="lines", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """What was judged in the last moment is in the store, and followed after the next start."""
        self._ending.set()
        self._judged.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    # --- what stands

    def show(self) -> ShowFile:
        return self._now().show

    def pools(self) -> list[Pool]:
        file, rows = self.show(), self._store.every()
        made, of = self._voices.made(file), _by_pool(rows)
        return [
            self._pool(file, prop, behaviour, entries, of.get((prop, behaviour), []), made)
            for prop, behaviour, entries in behaviours(file)
        ]

    def pool(self, prop: str, behaviour: str) -> Pool:
        file = self.show()
        entries = _entries(file, prop, behaviour)
        rows = self._store.of(prop, behaviour)
        return self._pool(file, prop, behaviour, entries, rows, self._voices.made(file))

    def _pool(
        self,
        file: ShowFile,
        prop: str,
        behaviour: str,
        entries: Sequence[str],
        rows: Sequence[PoolLine],
        made: frozenset[str],
    ) -> Pool:
        barred = frozenset(word for each in file.info.barred_words for word in words_in(each))
        lines = standing(prop, behaviour, entries, rows)
        return Pool(
            prop, behaviour, tuple(self._line(file, e, e.name in made, barred) for e in lines)
        )

    def _line(
        self, file: ShowFile, line: PoolLine, has_sound: bool, barred: frozenset[str]
    ) -> Line:
        seconds = self._voices.lasting_s(file, line, has_sound=has_sound)
        return Line(line, seconds, has_sound, is_barred(line.text, barred))

    def sound(self, name: str) -> Path | None:
        found = self._voices.path(self.show(), name)
        return found if name.isalnum() and found.is_file() else None

    # --- what people do

    def judge(self, prop: str, behaviour: str, name: str, state: State, by: str) -> State:
        known = [e.line for e in self.pool(prop, behaviour).lines if e.line.name == name]
        if not known:
            raise CrewMistake(f"There is no such line in {prop}.{behaviour}.", missing=True)
        before = known[0].state
        if before is not state:
            judged = known[0]._replace(state=state, at_ms=self._wall_ms(), by=by, pending=True)
            self._keep(lambda: self._store.judge(judged))
        return before

    def add(self, prop: str, behaviour: str, entries: Sequence[Entry], by: str) -> int:
        now, file = self._wall_ms(), self.show()
        lines = [each.fresh(prop, behaviour, IMPORT, now, by) for each in entries]
        pools = {(prop_, behaviour_): e for prop_, behaviour_, e in behaviours(file)}
        for each in lines:
            if (each.prop, each.behaviour) not in pools:
                raise CrewMistake(
                    f"There is no behaviour {each.prop}.{each.behaviour}, which {each.text[:40]!r} "
                    f"is for. There are {', '.join('.'.join(names) for names in pools)[:400]}."
                )
        known = {n for (p, b), e in pools.items() for n in _names(p, b, e)}
        fresh = [each for each in lines if (each.prop, each.behaviour, each.name) not in known]
        return int(self._keep(lambda: self._store.add(fresh)) or 0)

    def welcome(self, by: str, *, gibberish: bool) -> None:
        with self._one:
            read = set_value(self._now(), "show", None, "gibberish", gibberish or None)
            self._keeper.put(read.text, by)
        if gibberish:
            self._keep(self._store.reopen_new)

    def _keep(self, write: Callable[[], Any]) -> Any:
        try:
            found = write()
        except StoreRefused as refused:
            raise CrewMistake(f"{str(refused)[:1].upper()}{str(refused)[1:]}.") from refused
        self._judged.set()
        return found

    # --- long work

    def prepare(self, prop: str, behaviour: str, count: int) -> Work:
        """What has too little to be made of is refused here, in words of the page."""
        lack = too_few(
            own_sentences(e.line for p in self.pools() if p.prop == prop for e in p.lines)
        )
        if lack:
            return Work(WorkState.FAILED, said=f"Nothing to make lines of: {lack}. {BRING}")
        words = ["lines", "prepare", "--prop", prop, "--behaviour", behaviour]
        return self._ask([*words, "--count", str(count)])

    def make_sounds(self) -> Work:
        return self._ask(["lines", "render"])

    def _ask(self, words: list[str]) -> Work:
        return self._last.ask([*words, "--data", str(self._data), "--progress"])

    def work(self) -> Work | None:
        return self._last.look()

    def cancel(self) -> None:
        self._last.cancel()

    # --- the show follows

    def follow(self, by: str = "") -> None:
        """Write into the show file what was judged since, as one version of it."""
        with self._one:
            rows = self._store.pending()
            if not rows:
                return
            self._put(rows, by or ", ".join(sorted({each.by for each in rows}))[:64])
            self._store.followed(rows)
            self.trouble = ""

    def _put(self, rows: Sequence[PoolLine], by: str) -> None:
        try:
            edits.change(self._keeper, by, lambda draft: _follow(draft, rows))
        except edits.Refused as refused:
            raise ShowFileRefused(refused.faults) from refused

    def _run(self) -> None:
        while not self._ending.is_set():
            if self._judged.wait(IDLE_S):
                self._wait_for_calm()
            self._try()

    def _wait_for_calm(self) -> None:
        """Let a sitting come to its end; one that never ends is followed all the same."""
        for _ in range(max(1, round(LONGEST_S / max(self._calm_s, 0.01)))):
            self._judged.clear()
            if self._ending.wait(self._calm_s) or not self._judged.is_set():
                return

    def _try(self) -> None:
        try:
            self.follow()
        except ShowFileRefused as refused:
            self.trouble = "; ".join(f"{e.key} {e.what}" for e in refused.faults)[:300]
        except (CrewMistake, StoreRefused, TimeoutError) as fault:
            self.trouble = str(fault) or "the controller did not answer in time"

    def _now(self) -> ReadShow:
        """Return the show as it is kept, read once a version."""
        text = self._keeper.toml()
        known = self._read
        if known is None or known.text != text:
            known = self._read = read_show(text, "show")
        return known


def _follow(draft: Draft, rows: Sequence[PoolLine]) -> None:
    """Let the show be as these rows want it; what it has no behaviour for is passed over."""
    gibberish = bool(draft.raw["show"].get("gibberish"))
    for (prop, behaviour), group in _by_pool(rows).items():
        with suppress(NoSuchTable):
            path = path_of(draft.raw, "prop.behaviour", f"{prop}.{behaviour}")
            entries = draft.at(path).get("lines", ())
            wanted = followed(entries, group, gibberish=gibberish)
            if wanted != list(entries):
                draft.put(path, {"lines": [*wanted] or None})


def _by_pool(rows: Sequence[PoolLine]) -> dict[tuple[str, str], list[PoolLine]]:
    by_name = sorted(rows, key=_pool_of)  # stable: the order within a pool stays
    return {key: list(group) for key, group in groupby(by_name, key=_pool_of)}


def _pool_of(row: PoolLine) -> tuple[str, str]:
    return row.prop, row.behaviour


def _entries(file: ShowFile, prop: str, behaviour: str) -> tuple[str, ...]:
    for prop_, behaviour_, entries in behaviours(file):
        if (prop_, behaviour_) == (prop, behaviour):
            return entries
    raise CrewMistake(f"There is no behaviour {prop}.{behaviour} in this show.", missing=True)


def _names(prop: str, behaviour: str, entries: Sequence[str]) -> list[tuple[str, str, str]]:
    return [(prop, behaviour, each.name) for each in standing(prop, behaviour, entries, ())]
