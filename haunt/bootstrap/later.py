"""Changes put off to the next phase or night: kept in the store, made when it begins.

When either begins follows from the calendar, not from who watches it: a server that was down at
that moment makes the change when it is up again.
"""

import json
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final

from haunt.core.calendar import DAY_MS, Calendar
from haunt.live.errors import CrewMistake
from haunt.live.prepare import prepare
from haunt.site.changes import change
from haunt.site.ports import ShowKeeper, SunsetOf
from haunt.site.workports import Pending, Turn, Value, When, prop_key
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show

KEY: Final = "pending"
LOOK_S: Final = 0.5
IDLE_S: Final = 60.0
PIECES_MAX: Final = 64
DAYS_MS: Final = 2 * DAY_MS
PENDING_MAX: Final = 500


class Later:
    """Satisfies `site.workports.LaterBook`; thread-safe. `save` and `load` keep one text."""

    def __init__(
        self,
        keeper: ShowKeeper,
        wall_ms: Callable[[], int],
        sunset_of: SunsetOf,
        save: Callable[[str, str], None],
        load: Callable[[str], str | None],
    ) -> None:
        self._keeper, self._wall_ms, self._sunset_of = keeper, wall_ms, sunset_of
        self._save = save
        self._lock = threading.Lock()
        self._pending = {each.key: each for each in _read(load(KEY))}
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
            return sorted(self._pending.values(), key=lambda each: (each.due_ms, each.at_ms))

    def next_turn(self, when: When) -> Turn | None:
        wall_ms = self._wall_ms()
        with self._reckoning:
            calendar = self._calendar_now()
            return (
                _next_phase(calendar, wall_ms)
                if when is When.PHASE
                else _next_night(calendar, wall_ms)
            )

    def add(self, key: str, values: Sequence[Value], by: str, when: When = When.PHASE) -> Pending:
        found = self.next_turn(when)
        if found is None:
            raise CrewMistake(f"no other {when} is planned: change it now instead", about=key)
        asked = Pending(key, tuple(values), by, self._wall_ms(), *found)
        with self._lock:
            if len(self._pending) >= PENDING_MAX and key not in self._pending:
                raise CrewMistake(f"{PENDING_MAX} changes wait already; cancel some", about=key)
            self._keep({**_without(self._pending, asked), key: asked})
        self._wake.set()
        return asked

    def cancel(self, key: str) -> bool:
        with self._lock:
            if key not in self._pending:
                return False
            self._keep({other: each for other, each in self._pending.items() if other != key})
            return True

    # --- making them

    def make_due(self) -> int:
        """Make every change whose time has come; return how many were made."""
        now = self._wall_ms()
        return sum(
            self._make(each) for each in self.pending() if each.due_ms <= now and not each.fault
        )

    def _make(self, asked: Pending) -> bool:
        try:
            change(self._keeper, asked.values, asked.by)
        except ShowFileRefused as refused:
            return self._failed(asked, refused.said)
        except CrewMistake as mistake:
            return self._failed(asked, mistake.what)
        except TimeoutError:
            return False  # the owner is busy: the next look tries again
        with self._lock:
            if self._pending.get(asked.key) == asked:
                self._keep({k: each for k, each in self._pending.items() if k != asked.key})
        return True

    def _failed(self, asked: Pending, why: str) -> bool:
        with self._lock:
            if self._pending.get(asked.key) == asked:
                self._keep({**self._pending, asked.key: asked._replace(fault=why)})
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

    def _calendar_now(self) -> Calendar:
        kept = self._keeper.kept()
        if self._calendar is None or self._calendar[0] != kept.version:
            file = read_show(kept.text, "show").show
            show = prepare(file).show
            calendar = Calendar(show.calendar, show.time_zone, self._sunset_of(file))
            self._calendar = (kept.version, calendar)
        return self._calendar[1]


def _next_phase(calendar: Calendar, wall_ms: int) -> Turn | None:
    """Return the first instant at which the phases, or whether it is open, differ."""
    here = calendar.piece(wall_ms)
    at = here
    for _ in range(PIECES_MAX):
        at = calendar.piece(at.until_ms)
        if at.from_ms - wall_ms > DAYS_MS:
            break
        if at.phases != here.phases or at.open != here.open:
            return Turn(at.from_ms, ", ".join(at.phases) or ("open" if at.open else "closed"))
    return None


def _next_night(calendar: Calendar, wall_ms: int) -> Turn | None:
    opening = (
        (calendar.first_instant(each.date, each.opens), each.date) for each in calendar.spec.nights
    )
    found = min(((at, day) for at, day in opening if at is not None and at > wall_ms), default=None)
    return None if found is None else Turn(found[0], f"the night of {found[1]}")


def _without(pending: dict[str, Pending], asked: Pending) -> dict[str, Pending]:
    """Leave out of what waits the settings that are asked for anew."""
    taken = {each[:3] for each in asked.values}
    left = {
        key: each._replace(values=tuple(v for v in each.values if v[:3] not in taken))
        for key, each in pending.items()
    }
    return {key: each for key, each in left.items() if each.values}


def _read(text: str | None) -> list[Pending]:
    return [_pending(each) for each in json.loads(text or "[]")]


def _pending(kept: dict[str, Any]) -> Pending:
    if "cooldown_ms" in kept:  # of a version in which only rests could wait
        prop, rest_s = kept.pop("prop"), kept.pop("cooldown_ms") / 1000
        return Pending(prop_key(prop), (Value("prop", prop, "cooldown_s", rest_s),), **kept)
    values = tuple(Value(*each) for each in kept.pop("values"))
    return Pending(values=values, **kept)
