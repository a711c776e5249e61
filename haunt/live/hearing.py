"""What boards say becomes events: presence, motions, health, reports, a stop of somebody else's.

It decides nothing: the shell carries out what comes of each.
"""

from typing import Final

from haunt.core import events
from haunt.core.calendar import DAY_MS
from haunt.core.decisions import Effect
from haunt.live.ports import Arrival, ChargeOf, HealthRow, ReportRow
from haunt.live.shell import Shell
from haunt.wire.payloads import Gone, Health, Here, Motion, Report, Stop, decode
from haunt.wire.topics import BoardTopic

AGE_MAX_MS: Final = DAY_MS


class Hearing:
    """`clocks` are those of this show's beats whose steady time is ours."""

    def __init__(self, shell: Shell, clocks: frozenset[str], charge_of: ChargeOf) -> None:
        self._shell, self._clocks, self._charge_of = shell, clocks, charge_of

    def hear(self, topic: BoardTopic, arrival: Arrival) -> bool:
        """Handle one message; True where its receipt waits for the journal.

        Raises BoardSpokeNonsense.
        """
        board, kind, payload = topic.board, topic.kind, arrival.payload
        if kind == "motion":
            return self._motion(board, decode("motion", payload), arrival)
        if kind == "presence":
            self._presence(board, decode("presence", payload), arrival)
        elif kind == "health":
            self._health(board, decode("health", payload), arrival)
        elif kind == "report":
            self._report(board, decode("report", payload), arrival)
        elif kind == "stop":
            self._foreign_stop(decode("stop", payload), arrival)
        else:  # our own words, or a broker that lets others speak for us
            self._shell.tally.unknown_ids += 1
        return False

    def lose(self, board: str, mono_ms: int, *, silent: bool = False) -> None:
        """A will came, or it was silent for too long."""
        shell, wall_ms = self._shell, self._shell.wall_of(mono_ms)
        shell.do(events.BoardGone(mono_ms, wall_ms, board))
        shell.watch.lost(board, mono_ms, wall_ms, silent=silent)

    def _motion(self, board: str, motion: Motion, arrival: Arrival) -> bool:
        shell, now = self._shell, arrival.mono_ms
        self._heard(board, motion.boot, now)
        age_ms = motion.age_ms
        if motion.clock in self._clocks and motion.at_ms is not None:
            age_ms = max(age_ms, now - motion.at_ms)
            shell.watch.dated(shell.arbiter.night, board, motion.boot, motion.at_ms, now)
        event = events.Motion(
            now,
            shell.wall_of(now),
            board,
            motion.sensor,
            motion.boot,
            motion.seq,
            min(age_ms, AGE_MAX_MS),
        )
        return self._judge(event, arrival)

    def _judge(self, event: events.Motion, arrival: Arrival) -> bool:
        shell, night = self._shell, self._shell.arbiter.night
        duplicates = night.duplicates
        effects = shell.decide(event)
        if night.duplicates > duplicates:
            return self._again(event, effects, arrival)
        record = shell.carry_out(event, effects)  # first: the cue is on its way before we count
        shell.tally.motions += 1
        shell.boards.count_motion(event.board, event.boot)
        shell.watch.motion(night, event.board, event.sensor, event.mono_ms)
        shell.note_hit(event)
        shell.receipts.expect(record.number, events.key_of(event), arrival.receipt, event.mono_ms)
        shell.put(record)
        return True

    def _again(self, event: events.Motion, effects: list[Effect], arrival: Arrival) -> bool:
        shell = self._shell
        shell.tally.duplicates += 1
        if effects:  # a repeat has none: they are of timers that were due before it
            shell.put(shell.carry_out(events.Ticked(event.mono_ms, event.wall_ms), effects))
        if arrival.receipt is None:
            return False
        shell.receipts.again(events.key_of(event), arrival.receipt)
        return True

    def _presence(self, board: str, presence: Here | Gone, arrival: Arrival) -> None:
        shell, now = self._shell, arrival.mono_ms
        if not self._known(board, now):
            return
        if isinstance(presence, Gone):
            if shell.boards.presence.gone(board, presence.boot, presence.conn):
                self.lose(board, now)
            return
        if not shell.boards.presence.here(board, presence.boot, presence.conn, now):
            return
        shell.boards.hello(board, presence, arrival.wall_ms)
        shell.watch.hello(board, presence, now)
        wall_ms = shell.wall_of(now)
        shell.do(
            events.BoardHere(now, wall_ms, board, presence.boot, presence.up_ms, presence.reset)
        )
        shell.watch.back(board, now, wall_ms)
        shell.beat(now)

    def _health(self, board: str, health: Health, arrival: Arrival) -> None:
        shell, now = self._shell, arrival.mono_ms
        if not self._known(board, now):
            return
        self._heard(board, health.boot, now)
        charge = self._charge(board, health, now)
        news = shell.boards.note_health(board, health, charge, arrival.wall_ms)
        journalled = shell.boards.journalled.get((board, health.boot), 0)
        night = shell.arbiter.night
        shell.watch.health(night.boards[board], health, journalled, now)
        shell.changed.update(shell.boards.props_of(night, board))
        row = _health_row(board, health, charge)
        if not news:
            shell.put(shell.record(now, health=row))
            return
        event = events.BoardHealth(
            now,
            shell.wall_of(now),
            board,
            health.boot,
            health.up_ms,
            charge,
            tuple(sorted(health.active.items())),
            health.reset or "unknown",
        )
        shell.do(event, health=row)

    def _charge(self, board: str, health: Health, mono_ms: int) -> int | None:
        """Return percent by a voltage that can be believed."""
        shell = self._shell
        if health.battery_mv is None or not shell.watch.believes(board, health.battery_mv):
            return None
        charge = self._charge_of(board, health.battery_mv)
        if charge is not None:
            shell.forecasts.read(board, charge, mono_ms)
        return charge

    def _report(self, board: str, report: Report, arrival: Arrival) -> None:
        shell, now = self._shell, arrival.mono_ms
        if not self._known(board, now):
            return
        self._heard(board, report.boot, now)
        why, wall_ms = report.why or "", shell.wall_of(now)
        answered = shell.cues.answered(report.cue)
        if answered is not None:
            shell.watch.answered(answered, now, wall_ms)
        moved = shell.cues.reported(report.cue, report.state, now)
        shell.changed.update(each for each in (answered, moved) if each is not None)
        shell.do(
            events.Reported(now, wall_ms, board, report.cue, report.state, why, report.epoch or 0),
            report=ReportRow(board, report.cue, report.boot, report.state, why),
        )

    def _foreign_stop(self, stop: Stop, arrival: Arrival) -> None:
        """Our own comes back; one of a higher epoch was published by somebody else."""
        shell, now = self._shell, arrival.mono_ms
        if stop.epoch > shell.arbiter.night.epoch:
            shell.tally.unknown_ids += 1
            shell.do(events.Reported(now, shell.wall_of(now), "", "", "refused", "", stop.epoch))

    def _known(self, board: str, mono_ms: int) -> bool:
        shell = self._shell
        if board in shell.arbiter.night.boards:
            return True
        shell.tally.unknown_ids += 1
        shell.watch.stranger(board, mono_ms)
        return False

    def _heard(self, board: str, boot: str, mono_ms: int) -> None:
        """Anything a board says means that it is here."""
        shell = self._shell
        if board not in shell.arbiter.night.boards:
            return
        if shell.boards.presence.heard(board, boot, mono_ms):
            wall_ms = shell.wall_of(mono_ms)
            shell.do(events.BoardHere(mono_ms, wall_ms, board, boot))
            shell.watch.back(board, mono_ms, wall_ms)


def _health_row(board: str, health: Health, charge: int | None) -> HealthRow:
    return HealthRow(
        board,
        health.boot,
        health.up_ms,
        health.battery_mv,
        charge,
        health.rssi,
        health.reset or "unknown",
        dict(health.starts),
        dict(health.motions),
    )
