"""What holds at one moment, by the calendar and by hand: doors, a phase's limits, the rest.

Calendar and hands are weighed against each other here and nowhere else; nothing is changed.
"""

from typing import Final, NamedTuple

from haunt.core.calendar import HOUR_MS, NO_LIMIT, Piece
from haunt.core.night import Night, Prop

EXTENSION_LASTS_MS: Final = 18 * HOUR_MS


class PhaseLimits(NamedTuple):
    """Of a phase switched on by hand."""

    intensity: int
    flash_mhz: int
    cooldown_permille: int


GENTLE: Final = PhaseLimits(2, 0, 1000)
"""Of a phase by hand that the show does not name."""


def doors_open(night: Night) -> bool:
    if night.doors != "timetable":
        return night.doors == "open"
    return night.piece().open or is_open_at(night, night.wall_ms)


def is_open_at(night: Night, wall_ms: int) -> bool:
    """Say whether the timetable, with what it was extended by, has the doors open at an instant."""
    if night.calendar.piece(wall_ms).open:
        return True
    more = extension_ms(night)
    return more > 0 and night.calendar.piece(wall_ms - more).open


def extension_ms(night: Night) -> int:
    """Return by how much this night's closing is put off; it is not the next night's."""
    if not night.extend_ms or night.wall_ms - night.extended_wall_ms > EXTENSION_LASTS_MS:
        return 0
    return night.extend_ms


def hand_limits(night: Night) -> PhaseLimits:
    for phase in night.show.calendar.phases:
        if phase.name == night.hand_phase:
            return PhaseLimits(
                phase.max_intensity if phase.max_intensity is not None else NO_LIMIT,
                phase.max_flash_mhz if phase.max_flash_mhz is not None else NO_LIMIT,
                phase.cooldown_permille,
            )
    return GENTLE


def strongest(night: Night, piece: Piece, at_ms: int) -> tuple[int, int]:
    """Return the intensity and the flashes (mHz) that a piece allows, and a phase by hand."""
    intensity, flash_mhz = piece.max_intensity, piece.max_flash_mhz
    if night.hand_phase_until_ms > at_ms:
        by_hand = hand_limits(night)
        return min(intensity, by_hand.intensity), min(flash_mhz, by_hand.flash_mhz)
    return intensity, flash_mhz


def cooldown_ms(night: Night, prop: Prop) -> int:
    """Rest by the settings of this moment: battery and phase factors multiply."""
    spec = prop.spec
    rest = spec.cooldown_ms
    piece = night.piece()
    phase = piece.cooldown_permille
    if night.hand_phase_until_ms > night.now_ms:
        by_hand = hand_limits(night).cooldown_permille
        phase = max(phase, by_hand) if piece.phases else by_hand
    if phase != 1000:
        rest = rest * phase // 1000
    charge = prop.board.charge_percent
    if spec.stretch_percent is not None and charge is not None and charge < spec.stretch_percent:
        rest = rest * spec.stretch_permille // 1000
    return max(rest, prop.spread_ms)
