"""The night as a page may see it: built by the owner out of its state, then never changed."""

from dataclasses import fields, replace
from operator import attrgetter
from typing import Final
from zoneinfo import ZoneInfo

from haunt.core.calendar import DAY_MS, utc
from haunt.core.decisions import Decision
from haunt.core.judging import barred_by
from haunt.core.moment import cooldown_ms, doors_open
from haunt.core.night import Night, Prop, Sensor
from haunt.live.alerts.book import Alert
from haunt.live.boards import BoardNotes
from haunt.live.cues import Trip
from haunt.live.forecasts import close_of
from haunt.live.night import RunningNight
from haunt.live.ports import Journal
from haunt.live.sentences import Names, sentence
from haunt.live.views import (
    AlertView,
    BoardView,
    Counters,
    Labels,
    NightView,
    PropView,
    PropWord,
    SensorView,
)
from haunt.live.why.facts import Because

LOOK_AHEAD = 12
NOTED: Final = attrgetter(*(each.name for each in fields(BoardNotes)))


class Scene:
    """Builds views. `queue_dropped` is read from the owner's queue."""

    def __init__(self, running: RunningNight, journal: Journal, labels: Labels) -> None:
        self._running, self._journal = running, journal
        self.labels = labels
        self._props: dict[str, PropView] = {}
        self._faults: dict[str, tuple[str, ...]] = {}
        self._names = Names()
        self._seq = 0
        night = running.arbiter.night
        self._before = night.fired, night.refused, night.lapsed
        self._night = night
        self._boards: dict[str, tuple[object, BoardView]] = {}
        self._sensors: dict[str, tuple[object, SensorView]] = {}

    @property
    def labels(self) -> Labels:
        return self._running.watch.labels

    @labels.setter
    def labels(self, labels: Labels) -> None:
        self._running.relabel(labels)

    def build(self, mono_ms: int, changed: frozenset[str], queue_dropped: int) -> NightView:
        """Make the changed props anew, take the rest over, and the whole round them."""
        running, night = self._running, self._running.arbiter.night
        self._seq += 1
        self._faults = running.alerts.by_subject()
        if night is not self._night:  # another show
            self._night, self._boards, self._sensors = night, {}, {}
        self._props = self._renewed(night, mono_ms, changed)
        offset = night.offset_ms
        at_ms, what = _next_change(night, mono_ms + offset)
        walk = running.hands.of("walk test") if night.walk_test else None
        piece = night.calendar.piece(mono_ms + offset)
        by_hand = night.hand_phase if night.hand_phase_until_ms > mono_ms else None
        return NightView(
            seq=self._seq,
            at_ms=mono_ms + offset,
            show_id=night.show.id,
            show_name=self.labels.show_name or night.show.id,
            time_zone=night.show.time_zone,
            show_version=running.show_version,
            link_up=running.link_up,
            stopped=night.stopped,
            stopped_by=running.stopped_by if night.stopped else "",
            stopped_since_ms=running.stopped_wall_ms if night.stopped else None,
            release_at_ms=None if night.release_at_ms is None else night.release_at_ms + offset,
            epoch=night.epoch,
            open=doors_open(night),
            phases=(*piece.phases, *([by_hand] if by_hand else [])),
            quiet=piece.quiet,
            walk_test=night.walk_test,
            next_change_ms=at_ms,
            next_change=what,
            stop_unheard=running.deaf(mono_ms),
            broken=running.broken,
            props=self._props,
            boards=self._boards_now(night),
            alerts=tuple(_alert(each) for each in running.alerts.open()),
            alerts_left_out=running.alerts.left_out,
            counters=self._counters(queue_dropped),
            sensors=self._sensors_now(night, mono_ms),
            walk_by=walk.by if walk is not None else "",
            walk_since_ms=walk.wall_ms if walk is not None else None,
            last_hit=running.eyes.latest,
            closes_ms=close_of(night) if doors_open(night) and night.doors == "timetable" else None,
            opens_ms=_opens_ms(night, mono_ms + offset),
            doors=night.doors,
            hand_phase_until_ms=night.hand_phase_until_ms + offset if by_hand else None,
        )

    def _renewed(self, night: Night, mono_ms: int, changed: frozenset[str]) -> dict[str, PropView]:
        known = self._props
        self._names = Names(
            self.labels.sensors, {each: prop.spec.name for each, prop in night.props.items()}
        )
        if known.keys() != night.props.keys():  # another show: neighbours' names may be new, too
            known = {}
        return {
            each: self._prop(night, prop, mono_ms, night.offset_ms)
            if each in changed or each not in known
            else known[each]
            for each, prop in night.props.items()
        }

    def _sensors_now(self, night: Night, mono_ms: int) -> dict[str, SensorView]:
        """Take over what tells nothing new: to make it again costs the next motion milliseconds."""
        eyes, faults, names = self._running.eyes, self._faults, self.labels.sensors
        found = {}
        for each, sensor in night.sensors.items():
            eye = eyes.of(each)
            told = (
                sensor.board.here,
                eye.hits,
                eye.last_wall_ms,
                eye.a_minute(mono_ms),
                faults.get(each),
                names.get(each),
                sensor.muted,
            )
            made = self._sensors.get(each)
            if made is None or made[0] != told or sensor.muted:  # that ends by itself
                made = self._sensors[each] = told, self._sensor(sensor, mono_ms)
            found[each] = made[1]
        return found

    def _sensor(self, sensor: Sensor, mono_ms: int) -> SensorView:
        spec, night, eye = sensor.spec, self._running.arbiter.night, self._running.eyes
        until = sensor.muted_until_ms
        muted = sensor.muted and (until is None or until > mono_ms)
        deed = self._running.hands.of("mute", spec.id) if muted else None
        seen = eye.of(spec.id)
        return SensorView(
            id=spec.id,
            name=self.labels.sensors.get(spec.id, spec.id),
            board=spec.board,
            kind=spec.kind,
            here=sensor.board.here,
            props=tuple(dict.fromkeys(link.prop for link in spec.links)),
            muted=muted,
            muted_until_ms=until + night.offset_ms if muted and until is not None else None,
            muted_by=deed.by if deed is not None else "",
            hits=seen.hits,
            a_minute=seen.a_minute(mono_ms),
            last_ms=seen.last_wall_ms,
            faults=self._faults.get(spec.id, ()),
        )

    def _prop(self, night: Night, prop: Prop, mono_ms: int, offset: int) -> PropView:
        spec, board = prop.spec, prop.board
        notes = self._running.boards.of(spec.board)
        tally = self._running.tally.props.get(spec.id)
        last = tally.last if tally is not None else None
        word, until = _word(night, prop, mono_ms)
        barred = barred_by(night, prop) if word is PropWord.READY else ""
        x_m, y_m, place = self.labels.places.get(spec.id, (None, None, ""))
        return PropView(
            id=spec.id,
            name=spec.name,
            board=spec.board,
            word=PropWord.CLOSED if barred else word,
            barred=barred,
            until_ms=None if until is None else until + offset,
            behaviour=prop.play.behaviour.id if prop.play is not None else None,
            behaviours=tuple(each.id for each in spec.behaviours),
            charge_percent=board.charge_percent
            if board.charge_percent is not None
            else notes.charge_percent,
            battery_mv=notes.battery_mv,
            rssi=notes.rssi,
            here=board.here,
            last_heard_ms=notes.heard_wall_ms,
            last_motion_ms=tally.last_motion_wall_ms if tally is not None else None,
            last_decision=last,
            sentence=self._sentence(night, last, tally.because if tally is not None else None),
            fired=tally.fired if tally is not None else 0,
            refused=tally.refused if tally is not None else 0,
            lapsed=tally.lapsed if tally is not None else 0,
            cooldown_ms=spec.cooldown_ms,
            arm_by_hand=spec.arm_by_hand,
            held_by=prop.locked_by or (prop.held_by if _is_held(prop, mono_ms) else "") or None,
            unconfirmed=spec.id in self._running.cues.unconfirmed,
            x_m=x_m,
            y_m=y_m,
            place=place,
            because=tally.because if tally is not None else None,
            locked_by=prop.locked_by,
            out_of_service=prop.out_of_service,
            trip=self._trip(spec.id, offset),
        )

    def _trip(self, prop: str, offset: int) -> Trip | None:
        trip = self._running.cues.trips.get(prop)
        return None if trip is None else replace(trip, sent_ms=trip.sent_ms + offset)

    def _sentence(self, night: Night, decision: Decision | None, why: Because | None) -> str:
        if decision is None:
            return ""
        said = decision._asdict() | {"because": why.as_json() if why is not None else None}
        zone = ZoneInfo(night.show.time_zone)
        return sentence(said, self._names, lambda at_ms: f"{utc(at_ms).astimezone(zone):%H:%M:%S}")

    def _boards_now(self, night: Night) -> dict[str, BoardView]:
        """As with sensors."""
        boards, packs, faults = self._running.boards, self._running.forecasts.views, self._faults
        found = {}
        for each, known in night.boards.items():
            notes, standing = boards.of(each), boards.presence.boards.get(each)
            told = (
                NOTED(notes),
                known.here,
                known.charge_percent,
                boards.journalled.get((each, notes.boot)),
                standing.conn if standing is not None else None,
                packs.get(each),
                faults.get(each),
            )
            made = self._boards.get(each)
            if made is None or made[0] != told:
                made = self._boards[each] = told, self._board(night, each)
            found[each] = made[1]
        return found

    def _board(self, night: Night, board: str) -> BoardView:
        notes, known = self._running.boards.of(board), night.boards[board]
        counted = self._running.boards.journalled.get((board, notes.boot))
        standing = self._running.boards.presence.boards.get(board)
        return BoardView(
            id=board,
            here=known.here,
            stopped=notes.stopped,
            epoch=notes.epoch,
            last_heard_ms=notes.heard_wall_ms,
            fw=notes.fw,
            reset=notes.reset,
            up_ms=notes.up_ms,
            battery_mv=notes.battery_mv,
            charge_percent=known.charge_percent,
            rssi=notes.rssi,
            counted=notes.counted,
            journalled=counted,
            props=tuple(prop.spec.id for prop in known.props),
            pack=self._running.forecasts.views.get(board),
            boot=notes.boot,
            boots=notes.boots,
            connections=standing.conn if standing is not None and standing.conn else None,
            motions=notes.motions,
            starts=notes.starts,
            faults=self._faults.get(board, ()),
            bad=notes.bad,
            dropped=notes.dropped,
            settings=notes.settings,
        )

    def _counters(self, queue_dropped: int) -> Counters:
        running, tally, night = self._running, self._running.tally, self._running.arbiter.night
        counts, out = self._journal.counts(), running.alerts_out()
        fired, refused, lapsed = self._before  # the night remembers those of earlier runs too
        return Counters(
            motions=tally.motions,
            duplicates=tally.duplicates,
            malformed=sum(tally.malformed.values()),
            malformed_by_kind=tuple(sorted(tally.malformed.items())),
            last_malformed=tally.last_malformed,
            unknown_ids=tally.unknown_ids,
            queue_dropped=queue_dropped + tally.dropped,
            not_journalled=running.receipts.not_journalled,
            journal_backlog=counts.backlog,
            journal_failing=counts.failing,
            late_wills=running.boards.presence.late_wills,
            odd_reports=night.odd_reports,
            fired=night.fired - fired,
            refused=night.refused - refused,
            lapsed=night.lapsed - lapsed,
            alerts_sent=out.sent,
            alerts_dropped=out.dropped,
            alerts_fault=out.fault,
        )


def _alert(alert: Alert) -> AlertView:
    return AlertView(
        key=alert.key,
        since_ms=alert.since_wall_ms,
        text=alert.what,
        id=alert.id,
        kind=alert.kind,
        subject=alert.subject,
        severity=alert.severity,
        todo=alert.todo,
        last_ms=alert.last_wall_ms,
        count=alert.count,
        seen_by=alert.seen_by,
        seen_ms=alert.seen_wall_ms,
        over_ms=alert.away_wall_ms,
    )


def _is_held(prop: Prop, mono_ms: int) -> bool:
    """A hold for a time is over when its time is; nothing is written down then."""
    return prop.held and (prop.held_until_ms is None or prop.held_until_ms > mono_ms)


def _word(  # noqa: PLR0911 - one return a word
    night: Night, prop: Prop, mono_ms: int
) -> tuple[PropWord, int | None]:
    """Return the most pressing word and the steady instant at which it is expected to end."""
    if not prop.board.here:
        return PropWord.LOST, None
    if prop.locked_by:
        return PropWord.LOCKED_OUT, None
    if prop.out_of_service or prop.retired:
        return PropWord.OUT_OF_SERVICE, None
    if night.stopped:
        return PropWord.STOPPED, night.release_at_ms
    if _is_held(prop, mono_ms):
        return PropWord.HELD, prop.held_until_ms
    if prop.play is not None:
        return PropWord.PLAYING, prop.play.started_ms + prop.play.behaviour.duration_ms
    if prop.waiting is not None:
        return PropWord.WAITING, prop.waiting.wake_ms
    if prop.last_end_ms is not None and prop.last_end_ms + cooldown_ms(night, prop) > mono_ms:
        return PropWord.REST, prop.last_end_ms + cooldown_ms(night, prop)
    if not doors_open(night):
        return PropWord.CLOSED, None
    return PropWord.READY, None


def _opens_ms(night: Night, wall_ms: int) -> int | None:
    """When closed doors open by the hours; None: they are open, set by hand, or stay shut."""
    if doors_open(night) or night.doors != "timetable":
        return None
    return night.calendar.next_opening(wall_ms)


def _next_change(night: Night, wall_ms: int) -> tuple[int | None, str]:
    """Return the next instant at which opening, phase or quiet hours change, and to what.

    Doors that somebody set stay as they are, whatever the hours say.
    """
    here = night.calendar.piece(wall_ms)
    for _ in range(LOOK_AHEAD):
        there = night.calendar.piece(here.until_ms)
        if here.open != there.open and night.doors == "timetable":
            return here.until_ms, "opens" if there.open else "closes"
        if here.entrance_open != there.entrance_open and night.doors == "timetable":
            return here.until_ms, "last group" if not there.entrance_open else "opens"
        if here.quiet != there.quiet or here.quiet_dba != there.quiet_dba:
            return here.until_ms, "quiet hours" if there.quiet else "quiet hours end"
        if here.phases != there.phases:
            return here.until_ms, ", ".join(there.phases) or "no phase"
        if here.until_ms - wall_ms > DAY_MS:
            break
        here = there
    return None, ""
