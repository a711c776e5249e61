"""Weighs settings for the pages, in a process of its own, and tells what settings there were."""

import json
from pathlib import Path
from typing import Any

from haunt.bootstrap.earlier import changes_lately, earlier_nights, settings_of_version
from haunt.bootstrap.errands import Errands
from haunt.site.workports import Change, Then, Was, Work, WorkState
from haunt.store.engines import Engine
from haunt.store.reader import Reader
from haunt.store.shows import cooldowns_of
from haunt.study.advice import Advice, Tried
from haunt.study.overall import Overall, Whole
from haunt.study.sweep import Setting


def from_json(found: dict[str, Any]) -> Advice:
    """Read back what `tuning.as_json` gives."""
    advised, patience = found["advised_s"], found["advised_patience_s"]
    return Advice(
        found["prop"],
        _ms(found["cooldown_s"]),
        None if advised is None else _ms(advised),
        found["visits"],
        found["answered"],
        found["gain"],
        found["gain_low"],
        found["gain_high"],
        found["sure"],
        found["used_more_mah"],
        found["why"],
        tuple(_tried(each) for each in found["tried"]),
        None if patience is None else _ms(patience),
        tuple(found["nights"]),
        found["blocks"],
        found["by_night"],
    )


def _tried(each: dict[str, Any]) -> Tried:
    patience = each["patience_s"]
    return Tried(
        _ms(each["cooldown_s"]),
        each["answered"],
        each["fired"],
        each["used_mah"],
        _ms(each["loud_s"]),
        each["worst_duty"],
        None if patience is None else _ms(patience),
        _ms(each["waited_s"]),
        each["clashes"],
        each["elsewhere"],
        each["left_percent"],
        each["on_front"],
        each["bars"],
        each["refused"],
        each["lapsed"],
        _ms(each["motor_s"]),
        None if each["line_s"] is None else 1000 * each["line_s"],
    )


def overall_from_json(found: dict[str, Any]) -> Overall:
    """Read back what `tuning.overall_as_json` gives."""
    rows = [
        Whole(**{**each, "setting": Setting(**each["setting"]), "flat": tuple(each["flat"])})
        for each in found["rows"]
    ]
    return Overall(tuple(found["days"]), found["visits"], tuple(rows))


def _ms(seconds: float) -> int:
    return round(seconds * 1000)


class Weigher:
    """Satisfies `site.workports.TuneBook`. The running night loses no moment to it."""

    def __init__(self, engine: Engine, data: Path, errands: Errands) -> None:
        self._engine, self._data, self._errands = engine, data, errands

    def weigh(self, prop: str, nights: int = 1) -> Work | Advice:
        work = self._ask(prop, nights)
        return from_json(json.loads(work.output)[0]) if work.state is WorkState.DONE else work

    def weigh_show(self, nights: int = 1) -> Work | Overall:
        work = self._ask("--show", nights)
        return overall_from_json(json.loads(work.output)) if work.state is WorkState.DONE else work

    def _ask(self, what: str, nights: int) -> Work:
        """What was weighed under other settings, or before more motions came, is weighed again."""
        reader = Reader(self._engine)
        version = (reader.show() or (0, ""))[0]
        key = f"tune {what} {nights} {version} {reader.last_number() // 500}"
        words = ["tune", what, "--nights", str(nights), "--data", str(self._data)]
        return self._errands.ask(key, [*words, "--json", "--progress"])

    def history(self, prop: str) -> list[Was]:
        return [Was(*each) for each in cooldowns_of(self._engine, prop)]

    def earlier(self) -> list[Then]:
        return earlier_nights(self._engine)

    def lately(self) -> list[Change]:
        return changes_lately(self._engine)

    def settings_of(self, version: int) -> Then | None:
        return settings_of_version(self._engine, version)
