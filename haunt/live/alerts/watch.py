"""Watches the running night: notes what boards give away, and settles the book once a second.

It has no thread and no clock of its own; it decides nothing about the show.
"""

from dataclasses import dataclass
from typing import Final

from haunt.core.events import Event
from haunt.core.moment import doors_open
from haunt.core.night import Board, Night
from haunt.live.alerts import rules
from haunt.live.alerts.book import AlertBook
from haunt.live.alerts.kinds import Finding, Kind, key_of
from haunt.live.alerts.packs import Limits, limits_of
from haunt.live.alerts.rules import Charge, House
from haunt.live.alerts.silence import Path
from haunt.live.alerts.strangers import Strangers
from haunt.live.alerts.tracks import BoardTrack, SensorTrack
from haunt.live.alerts.words import Names
from haunt.live.eyes import NO_EYES
from haunt.live.ports import ChargeOf
from haunt.live.presence import SILENCE_MS
from haunt.live.views import Labels
from haunt.wire.payloads import Health, Here

BACK_GRACE_MS: Final = 15_000
"""After the broker came back its boards do; only then is one that has not lost."""
NEVER_HEARD_MS: Final = 20_000
WILL_WAIT_MS: Final = 3_000
"""A board that takes over its own old connection sends a will and a hello at once."""
AHEAD_MS, BEFORE_BOOT_MS = 2_000, 60_000
SEES_MS: Final = 10_000
STARTED_MS: Final = 30_000
"""For so long after a new boot a cue without an answer is put down to that."""
STANDING_EVERY_MS: Final = 5_000
"""A fault comes with what is heard, which is looked at within a second; whether it is over is
asked as often as boards tell their health.
"""
WHY_MAX: Final = 60


@dataclass(frozen=True, slots=True)
class AlertSeen(Event):
    """A person has seen an alert. It is no event of the arbiter and never in its journal."""

    alert: int
    by: str


@dataclass(slots=True)
class Doubt:
    """A cue that its board did not answer; sure once the board was heard again, still running."""

    board: str
    is_sure: bool = False


class Watch:
    """`circuits` of the labels say which boards share one."""

    def __init__(self, night: Night, charge_of: ChargeOf, labels: Labels) -> None:
        self._charge_of = charge_of
        self._boards: dict[str, BoardTrack] = {}
        self._sensors: dict[str, SensorTrack] = {}
        self._strangers = Strangers()
        self._unanswered: dict[str, int] = {}
        self._doubted: dict[str, Doubt] = {}
        self._look: set[str] = set()
        self._standing: set[str] = set()
        self._look_at_sensors: set[str] = set()
        self._standing_sensors: set[str] = set()
        self._next_standing_ms = 0
        self.unsteady: dict[str, Kind] = {}
        self._path = Path(())
        self._gone: dict[str, BoardTrack] = {}
        self._link_up = False
        self._link_since_ms: int | None = None
        self._lost_count = self._lost_ms = 0
        self.labels = labels
        self.book = AlertBook(Names(night.show, labels))
        self.wire(night, labels, 0, 0)

    def wire(self, night: Night, labels: Labels, mono_ms: int, wall_ms: int) -> None:
        """The show is new or has changed: what kept its id keeps its evidence."""
        self.labels = labels
        boards, sensors = self._boards, self._sensors
        self._boards = {each: boards.get(each) or BoardTrack(each) for each in night.boards}
        for name, track in self._boards.items():
            track.pack.limits = None
            if name not in boards and not night.boards[name].here:
                track.gone_ms = mono_ms
        self._gone = {n: t for n, t in self._boards.items() if t.gone_ms is not None}
        self._sensors = {
            each: sensors.get(each) or SensorTrack(each, sensor.spec.board)
            for each, sensor in night.sensors.items()
        }
        order = tuple(s for s, each in night.sensors.items() if each.spec.kind not in NO_EYES)
        if order != self._path.order:
            self._path = Path(order)
        self._look, self._look_at_sensors = set(self._boards), set(self._sensors)
        self._standing &= self._look
        self.unsteady = {n: kind for n, kind in self.unsteady.items() if n in self._boards}
        self._standing_sensors &= self._look_at_sensors
        self.book.rename(Names(night.show, labels))
        self._drop_strangers(night, mono_ms, wall_ms)

    def begin(self, night: Night, mono_ms: int) -> None:
        """Of boards that were lost before the restart nobody knows since when."""
        for name, track in self._boards.items():
            track.gone_ms = None if night.boards[name].here else mono_ms
        self._gone = {n: t for n, t in self._boards.items() if t.gone_ms is not None}

    def _drop_strangers(self, night: Night, mono_ms: int, wall_ms: int) -> None:
        """Close what speaks of boards, sensors and props that the show has no more."""
        known = {*night.boards, *night.sensors, *night.props, ""}
        for alert in self.book.open():
            if alert.subject not in known:
                self.book.away(alert.key, mono_ms, wall_ms)
        self._doubted = {p: doubt for p, doubt in self._doubted.items() if p in night.props}
        self._strangers.welcome(night.boards)

    # --- what is heard

    def hello(self, board: str, here: Here, mono_ms: int) -> None:
        if self._boards[board].voice(here.boot, here.up_ms, here.reset, mono_ms):
            self._look.add(board)
            self._forgive(board)

    def health(self, known: Board, health: Health, journalled: int, mono_ms: int) -> None:
        """Most of it is well, and then nothing needs to be looked at."""
        board = known.spec.id
        track = self._boards[board]
        is_new = track.voice(health.boot, health.up_ms, health.reset or "unknown", mono_ms)
        if self._doubted:
            self._hear_again(board, is_new=is_new)
        passed_ms = track.passed(health)
        for name, active_ms in health.active.items():
            sensor = self._sensors.get(name)
            if sensor is not None and sensor.board == board and sensor.health(active_ms, passed_ms):
                self._look_at_sensors.add(name)
                if sensor.high_ms >= SEES_MS:  # it sees somebody all the time, or is stuck
                    self._path.excuse(name)
        if health.battery_mv is not None:
            track.pack.read(health.battery_mv, self._limits(track), mono_ms)
        if health.motions:
            track.counts.compare(sum(health.motions.values()), journalled, mono_ms)
        percent = known.charge_percent
        if is_new or track.is_odd or (percent is not None and percent < rules.LOW_PERCENT_OVER):
            self._look.add(board)

    def believes(self, board: str, battery_mv: int) -> bool:
        """What no pack can have says nothing about its charge."""
        limits = self._limits(self._boards[board])
        return limits.low_mv <= battery_mv <= limits.high_mv

    def _limits(self, track: BoardTrack) -> Limits:
        if track.pack.limits is None:
            track.pack.limits = limits_of(self._charge_of, track.id)
        return track.pack.limits

    def motion(self, night: Night, board: str, sensor: str, mono_ms: int) -> None:
        track = self._sensors.get(sensor)
        if track is None or track.board != board:
            return
        if track.fired(mono_ms):
            self._look_at_sensors.add(sensor)
        if doors_open(night) and not night.walk_test:  # else crew walks about, in any order
            self._path.seen(sensor, mono_ms)

    def dated(self, night: Night, board: str, boot: str, at_ms: int, mono_ms: int) -> None:
        """A board said when it sensed something, by the beat's clock."""
        known = night.boards.get(board)
        if known is None or boot != known.boot:
            return
        is_before = bool(known.booted_ms) and at_ms < known.booted_ms - BEFORE_BOOT_MS
        if is_before or at_ms > mono_ms + AHEAD_MS:
            self._boards[board].dated_oddly(mono_ms)
            self._look.add(board)

    def nonsense(self, board: str, why: str, mono_ms: int) -> None:
        track = self._boards.get(board)
        if track is not None:
            track.spoke_nonsense(why.split(" | ", maxsplit=1)[0][:WHY_MAX], mono_ms)
            self._look.add(board)
        else:
            self.stranger(board, mono_ms)

    def stranger(self, board: str, mono_ms: int) -> None:
        self._strangers.note(board, mono_ms)

    # --- what is known at once

    def link(self, mono_ms: int, *, up: bool) -> None:
        if up is not self._link_up:
            self._link_up, self._link_since_ms = up, mono_ms

    def lost(self, board: str, mono_ms: int, wall_ms: int, *, silent: bool) -> None:
        """A will may be that of an old connection; sixteen seconds of silence speak for sure."""
        track = self._boards.get(board)
        if track is None:
            return
        track.gone_ms = mono_ms - SILENCE_MS if silent else mono_ms
        self._gone[board] = track
        self._excuse_cues(board, mono_ms, wall_ms)

    def back(self, board: str, mono_ms: int, wall_ms: int) -> None:
        track = self._boards.get(board)
        if track is not None and self._gone.pop(board, None) is not None:
            track.gone_ms = None
            self._look.add(board)
            self.book.away(key_of(Kind.LOST, board), mono_ms, wall_ms)

    def unanswered(self, prop: str, board: str, mono_ms: int) -> None:
        """It is told when the board is heard again: silent altogether, it restarts or is lost."""
        self._unanswered[prop] = self._unanswered.get(prop, 0) + 1
        if board in self.unsteady or self._has_just_started(board, mono_ms):
            return  # that says it all
        self._doubted[prop] = Doubt(board)

    def _has_just_started(self, board: str, mono_ms: int) -> bool:
        """A cue that met a restart is no fault of its own; restarts are counted."""
        track = self._boards.get(board)
        if track is None or not track.boots:
            return False
        return mono_ms - track.boots[-1][0] < STARTED_MS

    def _hear_again(self, board: str, *, is_new: bool) -> None:
        if is_new:
            self._forgive(board)
        for doubt in self._doubted.values():
            doubt.is_sure = doubt.is_sure or doubt.board == board

    def _forgive(self, board: str) -> None:
        """What was on its way as the board went is no fault of its own."""
        self._doubted = {p: doubt for p, doubt in self._doubted.items() if doubt.board != board}

    def _tell_unanswered(self, mono_ms: int, wall_ms: int) -> None:
        for prop in [prop for prop, doubt in self._doubted.items() if doubt.is_sure]:
            about = (("board", self._doubted.pop(prop).board),)
            finding = Finding(Kind.UNCONFIRMED, prop, about, self._unanswered[prop])
            self.book.note(finding, mono_ms, wall_ms)

    def answered(self, prop: str, mono_ms: int, wall_ms: int) -> None:
        self._doubted.pop(prop, None)
        self.book.away(key_of(Kind.UNCONFIRMED, prop), mono_ms, wall_ms)

    def _excuse_cues(self, board: str, mono_ms: int, wall_ms: int) -> None:
        """A board that is gone answers nothing: that is one fault and not two."""
        self._forgive(board)
        for alert in self.book.open() if self._unanswered else ():
            if alert.kind is Kind.UNCONFIRMED and dict(alert.about or ()).get("board") == board:
                self.book.away(alert.key, mono_ms, wall_ms)

    # --- once a second

    def sweep(
        self, night: Night, house: House, deaf: tuple[str, ...], mono_ms: int, wall_ms: int
    ) -> None:
        book = self.book
        self._tell_unanswered(mono_ms, wall_ms)
        if self._link_since_ms is None:
            self._link_since_ms = mono_ms
        if house.lost > self._lost_count:
            self._lost_ms = mono_ms
        self._lost_count = house.lost
        down_ms = 0 if self._link_up else mono_ms - self._link_since_ms
        found = rules.house_findings(house, down_ms, mono_ms - self._lost_ms)
        book.settle("house", found, mono_ms, wall_ms)
        if self._link_up:
            if mono_ms >= self._next_standing_ms:
                self._next_standing_ms = mono_ms + STANDING_EVERY_MS
                self._look |= self._standing
                self._look_at_sensors |= self._standing_sensors
            self._settle_lost(mono_ms, wall_ms)
            self._settle_boards(night, mono_ms, wall_ms)
            self._settle_sensors(night, mono_ms, wall_ms)
            found = [Finding(Kind.DEAF, board) for board in deaf]
            book.settle("deaf", found, mono_ms, wall_ms)
            book.settle("strangers", self._strangers.findings(mono_ms), mono_ms, wall_ms)
        book.expire(mono_ms)

    def _settle_lost(self, mono_ms: int, wall_ms: int) -> None:
        if not self._is_link_settled(mono_ms):
            return
        gone = [
            (track.gone_ms, board)
            for board, track in self._gone.items()
            if track.gone_ms is not None
            and mono_ms - track.gone_ms >= (WILL_WAIT_MS if track.boot else NEVER_HEARD_MS)
            and not self._is_explained(track, mono_ms)
        ]
        found = rules.lost_findings(gone, self.labels.circuits) if gone else []
        self.book.settle("lost", [self._or_never_heard(each) for each in found], mono_ms, wall_ms)

    def _or_never_heard(self, lost: Finding) -> Finding:
        """Who was never here is not lost: nothing has tripped, something was not begun."""
        boards = dict(lost.about).get("boards", lost.subject).split()
        if any(self._gone[board].boot for board in boards):
            return lost
        return lost._replace(about=(*lost.about, ("case", "never")))

    def _is_link_settled(self, mono_ms: int) -> bool:
        return self._link_up and mono_ms - (self._link_since_ms or 0) >= BACK_GRACE_MS

    def _is_explained(self, track: BoardTrack, mono_ms: int) -> bool:
        """One that starts again and again is away between, and so is one of two that fight."""
        return (
            rules.boot_loop(track, mono_ms) is not None
            or rules.two_boards(track, mono_ms) is not None
        )

    def _settle_boards(self, night: Night, mono_ms: int, wall_ms: int) -> None:
        for board in sorted(self._look):
            track = self._boards[board]
            found = self._look_at(night.boards[board], track, mono_ms)
            self.book.settle(f"board {board}", found, mono_ms, wall_ms)
            self._note_unsteady(board, found)
            if found:
                self._standing.add(board)
            else:
                self._standing.discard(board)
        self._look.clear()

    def _note_unsteady(self, board: str, found: list[Finding]) -> None:
        kinds = [each.kind for each in found if each.kind in UNSTEADY]
        if kinds:
            self.unsteady[board] = kinds[0]
        else:
            self.unsteady.pop(board, None)

    def _look_at(self, board: Board, track: BoardTrack, mono_ms: int) -> list[Finding]:
        is_told = key_of(Kind.PACK_LOW, track.id) in self.book
        charge = Charge(board.charge_percent, len(board.rest_readings), is_told)
        found = rules.board_findings(track, charge, mono_ms)
        if track.gone_ms is not None:  # what it said before it went says nothing of now
            found = [each for each in found if each.kind in OUTLASTS]
        return found

    def _settle_sensors(self, night: Night, mono_ms: int, wall_ms: int) -> None:
        for name in sorted(self._look_at_sensors):
            track, found = self._sensors[name], []
            if self._boards[track.board].gone_ms is None and not night.sensors[name].muted:
                found = rules.sensor_findings(track, mono_ms)
            self.book.settle(f"sensor {name}", found, mono_ms, wall_ms)
            if found:
                self._standing_sensors.add(name)
                self._path.doubt(name)
            else:
                self._standing_sensors.discard(name)
                self._path.believe(name)
        self._look_at_sensors.clear()
        silent = [
            Finding(Kind.SILENT, spot.id, (("count", str(spot.run)),))
            for spot in self._path.silent()
            if self._may_be_silent(night, spot.id, mono_ms)
        ]
        self.book.settle("silent", silent, mono_ms, wall_ms)

    def _may_be_silent(self, night: Night, sensor: str, mono_ms: int) -> bool:
        """One that is high sees something; for a board's faults its sensors are not blamed."""
        track = self._sensors[sensor]
        board = self._boards[track.board]
        if (
            night.sensors[sensor].muted
            or track.high_ms >= SEES_MS
            or board.gone_ms is not None
            or self._is_explained(board, mono_ms)
        ):
            self._path.excuse(sensor)
            return False
        return True


UNSTEADY: Final = frozenset({Kind.BOOT_LOOP, Kind.TWO_BOARDS})
"""Who can tell what a cue would set off, and where?"""
OUTLASTS: Final = frozenset({Kind.BOOT_LOOP, Kind.TWO_BOARDS, Kind.NONSENSE})
