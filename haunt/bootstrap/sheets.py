"""What the running night is told of packs beforehand, by the sums and by the journal."""

from typing import Final

from haunt.core.calendar import HOUR_MS, Sunset
from haunt.live.forecasts import Forecasts, PackSheet
from haunt.store.engines import Engine
from haunt.store.packrows import counted_in
from haunt.study.drain import off_points, priors
from haunt.study.nightfacts import Span
from haunt.wire.showfile import ReadShow
from haunt.workshop.forecast import STEP_MS

BACK_MS: Final = 12 * HOUR_MS
TIMES_MAX: Final = 60
"""Five minutes of health; more would only cost time."""


def sheets_of(read: ReadShow, sunset: Sunset) -> dict[str, PackSheet]:
    rates = priors(read, sunset)
    return {
        board.id: PackSheet(rates.get(board.id), off_points(board.battery, None))
        for board in read.show.boards
        if board.battery is not None
    }


def recall(forecasts: Forecasts, engine: Engine, mono_ms: int, wall_ms: int) -> None:
    """Give back the readings of the last hours: a restart does not make packs unknown."""
    counted = counted_in(engine, Span(wall_ms - BACK_MS, wall_ms))
    for each in sorted(counted, key=lambda each: each.step):
        if each.percent is not None:
            at_ms = each.step * STEP_MS + STEP_MS // 2 - wall_ms + mono_ms
            for _ in range(min(each.times, TIMES_MAX)):
                forecasts.read(each.board, each.percent, at_ms)
