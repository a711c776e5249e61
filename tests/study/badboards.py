"""Boards that misbehave, each in one way, so that one can see whether that is contained and named.

What is bad is the board alone: it speaks through the same air, and its broker account is its own.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Final, assert_never

from haunt.core.show import Show
from haunt.live.alerts.kinds import Kind, key_of
from haunt.live.alerts.packs import limits_of
from haunt.live.alerts.rules import STUCK_MS
from haunt.study.boards import SimBoard
from haunt.study.chance import Chance
from haunt.study.world import World

CHATTER_MS: Final = 300
CHATTERS_HIGH_MS: Final = 100
LOOP_MS: Final = (6_000, 15_000)
ODD_MV: Final = (0, 61_000, 250, 2_147_483_647)
NAMED_WITHIN_MS: Final = 60_000


class Bad(StrEnum):
    STUCK = "stuck"
    CHATTER = "chatter"
    BOOT_LOOP = "boot-loop"
    TWO_BOARDS = "two-boards"
    PACK_ODD = "pack-odd"
    BOARD_CLOCK = "board-clock"


OF_A_SENSOR: Final = frozenset({Bad.STUCK, Bad.CHATTER})


@dataclass(slots=True)
class BadBoard:
    """One fault under way. `shown_ms` is when it could first be known, by the world's clock.

    A sensor counts as stuck after two minutes; a wrong clock shows with the board's next motion,
    two boards with their second meeting. None: not yet.
    """

    kind: Bad
    board: str
    subject: str
    shown_ms: int | None = None
    end: Callable[[], object] = int

    @property
    def key(self) -> str:
        return key_of(Kind(self.kind), self.subject)

    def show(self, at_ms: int) -> None:
        if self.shown_ms is None:
            self.shown_ms = at_ms


def make_bad(world: World, kind: Bad, board: str, seed: int = 0) -> BadBoard:
    """Begin. A board without a sensor cannot have a bad one: IndexError."""
    sim, now = world.boards[board], world.schedule.now_ms
    sensor = sensors_of(world, board)[0] if kind in OF_A_SENSOR | {Bad.BOARD_CLOCK} else ""
    bad = BadBoard(kind, board, sensor if kind in OF_A_SENSOR else board)
    chance = Chance(seed, f"bad {kind} {board}")
    match kind:
        case Bad.STUCK:
            bad.show(now + STUCK_MS)
            sim.stuck.add(sensor)
            sim.sense(sensor)
            bad.end = partial(sim.free, sensor)
        case Bad.CHATTER:
            bad.show(now)
            bad.end = _again(world, lambda: CHATTER_MS, lambda: sim.sense(sensor, CHATTERS_HIGH_MS))
        case Bad.BOOT_LOOP:
            bad.show(now)
            bad.end = _again(world, lambda: chance.between(*LOOP_MS), partial(_brown_out, sim))
        case Bad.TWO_BOARDS:
            bad.show(now)
            twin = world.board(board, " twin")
            twin.power_on("soft")
            bad.end = twin.power_off
        case Bad.PACK_ODD:
            bad.show(now)
            sim.battery_mv = lambda _ms: ODD_MV[chance.below(len(ODD_MV))]
            limits = limits_of(world.controller.prepared.charge_of, board)
            bad.end = partial(_well_charged, sim, (limits.low_mv + 3 * limits.high_mv) // 4)
        case Bad.BOARD_CLOCK:
            sim.alters = partial(_dates_from_1970, world, bad)
            bad.end = partial(_honest, sim)
        case _:
            assert_never(kind)
    return bad


def sensors_of(world: World, board: str) -> list[str]:
    return [s.id for s in world.file.sensors if s.board == board and s.kind != "button"]


def _again(
    world: World, gap_ms: Callable[[], int], what: Callable[[], object]
) -> Callable[[], object]:
    """Do it now and again after each gap; return what ends that."""
    going = [True]

    def once() -> None:
        if going:
            what()
            world.schedule.after(gap_ms(), once)

    world.schedule.after(0, once)
    return going.clear


def _brown_out(board: SimBoard) -> None:
    if board.on:
        board.reboot("brown-out")


def _dates_from_1970(world: World, bad: BadBoard, topic: str, payload: bytes) -> bytes:
    """Nobody ever set its clock: its motions happened within the first second of 1970."""
    if not topic.endswith("/motion"):
        return payload
    said = json.loads(payload)
    if "at_ms" not in said:
        return payload
    bad.show(world.schedule.now_ms)
    said["at_ms"] %= 1_000
    return json.dumps(said, separators=(",", ":")).encode()


def _well_charged(board: SimBoard, mv: int) -> None:
    board.battery_mv = lambda _ms: mv


def _honest(board: SimBoard) -> None:
    board.alters = None


def reach(show: Show, board: str) -> set[str]:
    """Return the props whose decisions a fault of this board may change, however indirectly.

    Its own props, those its sensors are linked to, and whoever shares a gap, a voice, a supply, a
    view or a boundary with one of these.
    """
    found = {prop.id for prop in show.props if prop.board == board}
    for sensor in show.sensors:
        near = {link.prop for link in sensor.links}
        after = {each.after for each in sensor.links if each.after is not None}
        if sensor.board == board or after & _of_board(show, board):
            found |= near
    while True:
        more = {
            prop.id
            for prop in show.props
            if prop.id not in found
            and (
                found & {*prop.neighbours, *prop.voice_neighbours}
                or _loads(show, {prop.id}) & _loads(show, found)
            )
        }
        if not more:
            return found
        found |= more


def _of_board(show: Show, board: str) -> set[str]:
    return {sensor.id for sensor in show.sensors if sensor.board == board}


def _loads(show: Show, props: set[str]) -> set[int]:
    return {
        index
        for prop in show.props
        if prop.id in props
        for behaviour in prop.behaviours
        for index, _amount in behaviour.draws
    }
