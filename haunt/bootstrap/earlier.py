"""The settings of earlier nights, and how they differ from now's: a way back without the file."""

import tomllib
from datetime import date
from itertools import pairwise
from typing import Any, Final

from haunt.bootstrap.reporting import ends_ms
from haunt.site.workports import Change, Then, Value
from haunt.store.engines import Engine
from haunt.store.nightrows import dates_of
from haunt.store.reader import Reader
from haunt.store.shows import ShowShelf, version_at

NIGHTS_MAX: Final = 12
VERSIONS_MAX: Final = 9
PLAIN: Final = (("stagger", "gap_s"), ("limits", "patience_s"))
OF_PROPS: Final = ("cooldown_s", "patience_s")
NOT_SET: Final = {"cooldown_s": 0.0}
"""What stands where the file leaves a key out."""

Settings = dict[tuple[str, str | int | None, str, str], float | None]
"""By table, name, key, and what must be the same for two to be compared: a phase's name."""


def earlier_nights(engine: Engine) -> list[Then]:
    """Return what each of the last nights ended with, newest first."""
    reader = Reader(engine)
    kept = reader.show()
    if kept is None:
        return []
    zone = tomllib.loads(kept[1])["show"]["time_zone"]
    found = []
    for day in dates_of(engine, zone)[:NIGHTS_MAX]:
        version, text = version_at(engine, ends_ms(date.fromisoformat(day))) or kept
        found.append(Then(day, version, _changes(text, kept[1])))
    return found


def changes_lately(engine: Engine) -> list[Change]:
    """Return the last changes of settings, newest first; other versions are left out."""
    versions = ShowShelf(engine).versions(VERSIONS_MAX)
    told = [
        Change(after.at_ms, after.by, before.version, _changes(before.text, after.text))
        for after, before in pairwise(versions)
    ]
    return [each for each in told if each.changes]


def settings_of_version(engine: Engine, version: int) -> Then | None:
    reader = Reader(engine)
    kept, then = reader.show(), reader.show(version)
    if kept is None or then is None:
        return None
    return Then("", version, _changes(then[1], kept[1]))


def _changes(then: str, now: str) -> tuple[tuple[Value, float | None], ...]:
    """Return each value of then that differs, with what it is now; only of what is still there."""
    old, new = settings_in(then), settings_in(now)
    return tuple(
        (Value(*key[:3], old[key]), new[key]) for key in new if key in old and old[key] != new[key]
    )


def settings_in(text: str) -> Settings:
    """Return what can be tuned: rests and patience, stagger, and the factors of phases."""
    raw: dict[str, Any] = tomllib.loads(text)
    found: Settings = {
        (table, None, key, ""): _number(raw.get(table, {}), key) for table, key in PLAIN
    }
    for prop in raw.get("prop", ()):
        for key in OF_PROPS:
            found["prop", prop["id"], key, ""] = _number(prop, key)
    for number, phase in enumerate(raw.get("phase", ()), 1):
        factor = _number(phase, "cooldown_factor")
        found["phase", number, "cooldown_factor", phase.get("name", "")] = factor
    return found


def _number(table: dict[str, Any], key: str) -> float | None:
    found = table.get(key, NOT_SET.get(key))
    return None if found is None else float(found)
