"""What a simulated night came to: counts, evidence, and in words what promise did not hold."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from haunt.core.decisions import MotionKey, Source
from haunt.study.air import Air
from haunt.study.boards import SimBoard
from haunt.study.controller import Controller
from haunt.study.failing import Store
from haunt.study.ledger import Ledger
from haunt.study.witness import tally_of


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run came to. `log_hash` covers every event, decision, cue and alert in order.

    `losses` are motions that boards counted and the journal has not, by what they were lost to;
    `healed_ms` is how long after the last fault all was well again, None where nobody waited.
    """

    seed: int
    groups: int
    motions: int
    fired: int
    refused: int
    lapsed: int
    reasons: dict[str, int]
    restarts: int
    faults: int
    broken: str
    log_hash: str
    troubles: tuple[str, ...]
    events: int = 0
    played: int = 0
    injected: dict[str, int] = field(default_factory=dict)
    losses: dict[str, int] = field(default_factory=dict)
    healed_ms: int | None = None


def ailments(
    controller: Controller, store: Store, air: Air, boards: Mapping[str, SimBoard]
) -> list[str]:
    """Return what is not well at this instant; in a garden without faults, nothing."""
    if not controller.up or not air.session.is_attached:
        return ["the controller is not at work"]
    running = controller.running
    night, counts = running.arbiter.night, controller.journal.counts()
    found = [running.broken] if running.broken else []
    if not running.begun:
        found.append("the night has not begun")
    if night.stopped:
        found.append("the show is stopped")
    if counts.failing or store.is_failing:
        found.append("the store fails")
    for name, board in boards.items():
        known = night.boards[name]
        if not board.on or not board.connected:
            found.append(f"{name} is not connected")
            continue
        tally = board.brain.tally()
        if not known.here or known.boot != board.boot:
            found.append(f"{name} is not known to be here")
        if (tally.epoch, tally.stopped) != (night.epoch, night.stopped):
            found.append(f"{name} is in epoch {tally.epoch}, not {night.epoch}")
        if tally.still:
            found.append(f"{name} hears no beat")
    return found


def reconciled(
    controller: Controller, store: Store, ledger: Ledger, boards: Mapping[str, SimBoard]
) -> list[str]:
    """Hold the boards' own counts against the journal, once all has come to rest."""
    found = [f"motion {each} vanished" for each in ledger.open()[:5]]
    night = controller.running.arbiter.night
    under_way: set[tuple[MotionKey, str | None]] = {
        (item.motion, item.prop.spec.id)
        for item in night.items.values()
        if item.source is Source.MOTION and item.motion is not None
    }
    for key, prop in sorted(ledger.owed() - under_way, key=str)[:5]:
        found.append(f"motion {'-'.join(map(str, key))} was never decided for {prop}")
    for name, board in boards.items():
        tally = tally_of(board)
        if not tally.dropped and tally.motions != ledger.sent_of(name, board.boot):
            found.append(f"{name} counted {tally.motions} motions and sent fewer")
        kept = ledger.kept_of(name, board.boot)
        counted = store.counted[name, board.boot]
        if counted != kept:
            found.append(f"the store counts {counted} motions of {name}, not {kept}")
    return found
