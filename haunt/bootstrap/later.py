"""Changes put off to the next phase: kept in the store, made when it begins, gone when cancelled.

When a phase begins follows from the calendar, not from who watches it: a server that was down at
that moment makes the change when it is up again.
"""

import json
import threading
from collections.abc import Callable
from typing import Final

from haunt.core.calendar import Calendar, Sunset
from haunt.live.errors import CrewMistake
from haunt.live.prepare import prepare
from haunt.site.changes import change
from haunt.site.ports import ShowKeeper, ShowRefused
from haunt.site.workports import Pending, Value
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

KEY: Final = "pending"
LOOK_S: Final = 0.5
IDLE_S: Final = 60.0
PIECES_MAX: Final = 64
DAYS_MS: Final = 2 * 86_400_000
PENDING_MAX: Final = 500


class Later:
    """Satisfies `site.workports.LaterBook`; thread-safe. `save` and `load` keep one text."""

    def __init__(
        self,
        keeper: ShowKeeper,
        wall_ms: Callable[[], int],
        sunset_of: Callable[[ShowFile], Sunset],
        save: Callable[[str, str], None],
        load: Callable[[str], str | None],
    ) -> None:
        self._keeper, self._wall_ms, self._sunset_of = keeper, wall_ms, sunset_of
        self._save = save
        self._lock = threading.Lock()
        self._pending = {each.prop: each for each in _read(load(KEY))}
        self._calendar: tuple[int, Calendar] | None = None
        self._reckoning = threading.Lock()  # a calendar keeps what it was asked last
        self._wake = threading.Event()
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="later", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._ending = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    # --- for pages

    def pending(self) -> list[Pending]:
        with self._lock:
            return sorted(self._pending.values(), key=lambda each: (each.due_ms, each.prop))

    def next_phase(self) -> tuple[int, str] | None:
        return self._next_after(self._wall_ms())

    def add(self, prop: str, cooldown_ms: int, by: str) -> Pending:
        found = self.next_phase()
        if found is None:
            raise CrewMistake("no other phase is planned: change it now instead", about=prop)
        asked = Pending(prop, cooldown_ms, by, self._wall_ms(), *found)
        with self._lock:
            if len(self._pending) >= PENDING_MAX and prop not in self._pending:
                raise CrewMistake(f"{PENDING_MAX} changes wait already; cancel some", about=prop)
            self._keep({**self._pending, prop: asked})
        self._wake.set()
        return asked

    def cancel(self, prop: str) -> bool:
        with self._lock:
            if prop not in self._pending:
                return False
            self._keep({key: each for key, each in self._pending.items() if key != prop})
            return True

    # --- making them

    def make_due(self) -> int:
        """Make every change whose phase has begun; return how many were made."""
        now = self._wall_ms()
        return sum(
            self._make(each) for each in self.pending() if each.due_ms <= now and not each.fault
        )

    def _make(self, asked: Pending) -> bool:
        value = Value("prop", asked.prop, "cooldown_s", asked.cooldown_ms / 1000)
        try:
            change(self._keeper, [value], asked.by)
        except ShowRefused as refused:
            return self._failed(asked, "; ".join(str(each) for each in refused.faults))
        except CrewMistake as mistake:
            return self._failed(asked, mistake.what)
        except TimeoutError:
            return False  # the owner is busy: the next look tries again
        with self._lock:
            if self._pending.get(asked.prop) == asked:
                self._keep({k: each for k, each in self._pending.items() if k != asked.prop})
        return True

    def _failed(self, asked: Pending, why: str) -> bool:
        with self._lock:
            if self._pending.get(asked.prop) == asked:
                self._keep({**self._pending, asked.prop: asked._replace(fault=why)})
        return False

    def _run(self) -> None:
        while not self._ending:
            waits = any(not each.fault for each in self.pending())
            self._wake.wait(LOOK_S if waits else IDLE_S)
            self._wake.clear()
            if not self._ending:
                self.make_due()

    def _keep(self, pending: dict[str, Pending]) -> None:
        """Write first: what is shown as put off outlives a kill."""
        self._save(KEY, json.dumps([each._asdict() for each in pending.values()]))
        self._pending = pending

    # --- the calendar

    def _next_after(self, wall_ms: int) -> tuple[int, str] | None:
        """Return the first instant at which the phases, or whether it is open, differ."""
        with self._reckoning:
            calendar = self._calendar_now()
            here = calendar.piece(wall_ms)
            at = here
            for _ in range(PIECES_MAX):
                at = calendar.piece(at.until_ms)
                if at.from_ms - wall_ms > DAYS_MS:
                    break
                if at.phases != here.phases or at.open != here.open:
                    return at.from_ms, ", ".join(at.phases) or ("open" if at.open else "closed")
            return None

    def _calendar_now(self) -> Calendar:
        kept = self._keeper.kept()
        if self._calendar is None or self._calendar[0] != kept.version:
            file = read_show(kept.text, "show").show
            show = prepare(file).show
            calendar = Calendar(show.calendar, show.time_zone, self._sunset_of(file))
            self._calendar = (kept.version, calendar)
        return self._calendar[1]


def _read(text: str | None) -> list[Pending]:
    return [Pending(**each) for each in json.loads(text or "[]")]
