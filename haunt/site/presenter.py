"""Turns a view of the night into what the pages print, in words and in the show's local time."""

from collections import Counter
from collections.abc import Mapping
from functools import cached_property
from zlib import crc32
from zoneinfo import ZoneInfo

from haunt.core.calendar import DAY_MS
from haunt.core.people import ARMED
from haunt.live.cues import Trip
from haunt.live.sentences import Names, sentence
from haunt.live.views import BoardView, NightView, PropView, PropWord
from haunt.live.why.words import count
from haunt.site.alerts import alerts_of, untold
from haunt.site.clocks import Clock as Times
from haunt.site.clocks import seconds
from haunt.site.map.tonight import laid_out
from haunt.site.needs import LOW_PERCENT, WEAK_DBM, needs_of
from haunt.site.view_models import (
    Act,
    Badge,
    Bar,
    BoardCard,
    Card,
    Count,
    Entry,
    Fold,
    Needs,
    Notice,
    Spot,
    Summary,
    Tallies,
    Tune,
)
from haunt.store.instants import ms_of

SHAPES = {
    PropWord.READY: ("disc", "Ready"),
    PropWord.PLAYING: ("play", "Playing"),
    PropWord.WAITING: ("glass", "Waiting"),
    PropWord.REST: ("ring", "Rest"),
    PropWord.CLOSED: ("hollow", "Closed"),
    PropWord.HELD: ("pause", "On hold"),
    PropWord.STOPPED: ("square", "Stopped"),
    PropWord.LOCKED_OUT: ("lock", "Locked out"),
    PropWord.OUT_OF_SERVICE: ("bar", "Out of service"),
    PropWord.LOST: ("cross", "Lost"),
}
DASH = " \N{EN DASH} "
UNHEARD = "not heard yet"
BARRED = {"quiet-hours": "quiet hours", "audience": "too strong for the phase", "closed": "soon"}
SHUT_BY_HAND = {"closed": "Closed by hand", "paused": "Paused by hand"}
STEP_MS = 5000
STEADY = (PropWord.READY, PropWord.REST, PropWord.PLAYING)
"""These come and go by the second: each keeps its place in the fold, at 0 too."""
FOLD_MAX = 5
"""What two lines hold; who waits does so for seconds, and must not move what is below."""
SPOTS_MIN = 3


def kind(word: PropWord) -> str:
    """Return the word as a name that a style sheet can use."""
    return word.value.replace(" ", "-")


class Presenter:
    """Times are those of the given clock, else of the clock that the request chose."""

    def __init__(self, night: NightView, style: str = "") -> None:
        self.night = night
        self.zone = ZoneInfo(night.time_zone)
        self.times = Times(self.zone, style)

    def clock(self, at_ms: int | None, *, seconds: bool = True) -> str:
        if at_ms is None:
            return "never"
        return self.times.second(at_ms) if seconds else self.times.minute(at_ms)

    def _minute(self, at_ms: int) -> str:
        return self.clock(at_ms, seconds=False)

    def outline(self) -> str:
        """Return a short word that differs when the list of props does."""
        named = "|".join(f"{prop.id}={prop.name}" for prop in self.night.props.values())
        return f"{crc32(f'{self.night.show_name}|{named}'.encode()):08x}"

    def left(self, until_ms: int | None) -> str:
        if until_ms is None:
            return ""
        left_s = max(0, until_ms - self.night.at_ms + 999) // 1000
        if left_s >= 7200:
            return f"{round(left_s / 3600)} h"
        return f"{left_s} s" if left_s < 120 else f"{round(left_s / 60)} min"

    # --- one prop

    def card(self, prop: PropView) -> Card:
        shape, word = SHAPES[prop.word]
        return Card(
            id=prop.id,
            name=prop.name,
            place=prop.place,
            kind=kind(prop.word),
            shape=shape,
            word=word,
            detail=self._detail(prop),
            left=self.left(prop.until_ms),
            until_ms=prop.until_ms,
            badges=_badges(prop),
            seen=self.clock(prop.last_motion_ms) if prop.last_motion_ms is not None else "",
            sentence=self.times.retold(prop.sentence),
            board=_signs(prop),
            is_held=prop.word is PropWord.HELD,
            is_armed=prop.arm_by_hand,
            waits_for_arm=prop.arm_by_hand and prop.held_by == ARMED,
            receipt=self._receipt(prop.trip),
        )

    def _receipt(self, trip: Trip | None) -> str:
        """Say how the last cue went: sent, heard and done, in ms by our own clock."""
        if trip is None:
            return ""
        sent = f"Sent {self.clock(trip.sent_ms)}"
        if trip.heard_ms is None:
            return f"{sent}, not heard yet"
        heard = f"{sent} \N{RIGHTWARDS ARROW} heard {trip.heard_ms:,} ms"
        if trip.done_ms is None:
            return heard
        word = "done" if trip.end == "finished" else trip.end
        return f"{heard} \N{RIGHTWARDS ARROW} {word} {trip.done_ms:,} ms"

    def _detail(self, prop: PropView) -> str:
        match prop.word:
            case PropWord.LOST:
                return self.clock(prop.last_heard_ms) if prop.last_heard_ms else UNHEARD
            case PropWord.PLAYING:
                return prop.behaviour or ""
            case PropWord.HELD | PropWord.LOCKED_OUT:
                if prop.held_by == ARMED:
                    return "waits to be armed"
                return f"by {prop.held_by}" if prop.held_by else ""
            case PropWord.CLOSED:
                return BARRED.get(prop.barred, "")
            case _:
                return ""

    def tune(self, prop: PropView) -> Tune:
        return Tune(
            id=prop.id,
            cooldown_s=seconds(prop.cooldown_ms),
            less_s=seconds(max(0, prop.cooldown_ms - STEP_MS)),
            more_s=seconds(prop.cooldown_ms + STEP_MS),
        )

    # --- the whole show

    def bar(self) -> Bar:
        night = self.night
        return Bar(
            stopped=night.stopped,
            by=night.stopped_by,
            since=self.clock(night.stopped_since_ms) if night.stopped_since_ms is not None else "",
            release_at_ms=night.release_at_ms,
            release_left=self.left(night.release_at_ms),
            deaf=tuple(self._where(each) for each in night.stop_unheard),
        )

    def _where(self, board: str) -> str:
        known = self.night.boards.get(board)
        props = [self.night.props[each] for each in known.props] if known is not None else []
        places = [f"{p.name}, {p.place}" if p.place else p.name for p in props]
        return f"{'; '.join(places)} (board {board})" if places else f"board {board}"

    def summary(self) -> Summary:
        night = self.night
        phase = [*night.phases, *(["quiet hours"] if night.quiet else [])]
        shut = SHUT_BY_HAND.get(night.doors) or f"Closed{self.until_open()}"
        state = "Walk test: nothing fires" if night.walk_test else "Open" if night.open else shut
        next_at = self.clock(night.next_change_ms, seconds=False)
        closes = night.closes_ms if night.closes_ms != night.next_change_ms else None
        return Summary(
            clock=self.clock(night.at_ms, seconds=False),
            state="Stopped" if night.stopped else state,
            phase=", ".join(phase),
            next=f"{night.next_change} at {next_at}" if night.next_change_ms is not None else "",
            next_ms=night.next_change_ms,
            next_left=self.left(night.next_change_ms),
            closes=self.clock(closes, seconds=False) if closes is not None else "",
            closes_ms=closes,
            closes_left=self.left(closes),
            mild_ms=night.hand_phase_until_ms,
            mild_left=self.left(night.hand_phase_until_ms),
        )

    def until_open(self) -> str:
        """Say after "Closed" how long that is by the hours."""
        opens_ms, now = self.night.opens_ms, self.night.at_ms
        if opens_ms is None:
            return ": no night lies ahead"
        day = "" if opens_ms < now + DAY_MS else f"{self.times.local(opens_ms):%d %b}, "
        return f" until {day}{self.times.minute(opens_ms)}"

    def needs(self) -> Needs:
        found = needs_of(untold(self.night), self.clock)
        held = sum(
            prop.word is PropWord.HELD and not prop.arm_by_hand
            for prop in self.night.props.values()
        )
        return Needs(tuple(found), held, alerts_of(self.night, self._minute, self.times.retold))

    def title(self, page: str) -> str:
        """Begin with how many alerts are open: that much of a tab can be read from afar."""
        count = len(self.night.alerts) + self.night.alerts_left_out
        return f"{f'({count}) ' if count else ''}{page}{DASH}{self.night.show_name}"

    def fold(self) -> Fold:
        found = Counter(prop.word for prop in self.night.props.values())
        lasting = [word for word in reversed(PropWord) if word not in {*STEADY, PropWord.WAITING}]
        order = [*STEADY, *lasting, PropWord.WAITING]
        said = [word for word in order if found[word] or (found and word in STEADY)]
        if len(said) > FOLD_MAX and said[-1] is PropWord.WAITING:
            said.pop()
        return Fold(
            tuple(
                Count(SHAPES[word][0], kind(word), f"{found[word]} {SHAPES[word][1].lower()}")
                for word in said
            )
        )

    def tallies(self) -> Tallies:
        counters = self.night.counters
        return Tallies(
            f"{count(counters.motions, 'motion')} since haunt started. One decision a prop: "
            f"{counters.fired} fired, {counters.refused} refused, {counters.lapsed} too late."
        )

    def spots(self) -> tuple[Spot, ...]:
        """Place the props that have a place on the map, y upwards."""
        placed = [(p, p.x_m, p.y_m) for p in self.night.props.values()]
        found = [(p, x, y) for p, x, y in placed if x is not None and y is not None]
        if len(found) < SPOTS_MIN:
            return ()
        places = laid_out([(p.name, (x, y)) for p, x, y in found])
        return tuple(
            Spot(p.id, p.name, kind(p.word), SHAPES[p.word][0], place)
            for (p, _, _), place in zip(found, places, strict=True)
        )

    # --- boards and the log

    def board(self, board: BoardView) -> BoardCard:
        counted, journalled = board.counted, board.journalled or 0
        return BoardCard(
            id=board.id,
            kind="ready" if board.here else "lost",
            shape="disc" if board.here else "cross",
            word="Here" if board.here else "Lost" if board.last_heard_ms else "Not here",
            props=", ".join(
                self.night.props[each].name if each in self.night.props else each
                for each in board.props
            ),
            heard=f"last heard {self.clock(board.last_heard_ms)}"
            if board.last_heard_ms
            else UNHEARD,
            stop=self._heard_stop(board),
            facts=_facts(board),
            motions=f"It counted {count(counted, 'motion')}, the journal has {journalled}."
            if counted is not None
            else "",
            is_short=counted is not None and counted > journalled,
        )

    def _heard_stop(self, board: BoardView) -> str:
        if not self.night.stopped:
            return ""
        if board.id in self.night.stop_unheard or not board.here:
            return "Did not confirm the stop: switch off by hand."
        return "Confirmed the stop." if board.stopped else "Told to stop."

    @cached_property
    def names(self) -> Names:
        night = self.night
        return Names(
            {each.id: each.name for each in night.sensors.values()},
            {each.id: each.name for each in night.props.values()},
        )

    def entry(self, item: Mapping[str, object]) -> Entry:
        """Say one row of the journal, whose keys are those of the API."""
        prop = str(item["prop"] or "")
        known = self.night.props.get(prop)
        at_ms = ms_of(str(item["at"]))
        return Entry(
            at=str(item["at"]),
            clock=self.times.moment(at_ms, self.times.day(self.night.at_ms)),
            kind=str(item["outcome"]),
            prop=prop if known is not None else "",
            name=known.name if known is not None else prop or str(item["sensor"] or ""),
            sentence=sentence(item, self.names, self.clock),
            reason=str(item["reason"] or ""),
        )


def tuned(prop: PropView, was_s: str) -> Notice:
    """Say what a setting is now, and offer the way back."""
    said = f"{prop.name} now rests {seconds(prop.cooldown_ms)} s; it was {was_s} s."
    act = Act(f"/props/{prop.id}/cooldown", f"Undo: {was_s} s")
    return Notice(said, undo=act, undo_name="cooldown_s", undo_value=was_s)


def _badges(prop: PropView) -> tuple[Badge, ...]:
    found = []
    if prop.charge_percent is not None and prop.charge_percent < LOW_PERCENT:
        found.append(Badge("warn", f"Low {prop.charge_percent} %", "soon"))
    if prop.unconfirmed:
        found.append(Badge("warn", "No answer", "soon"))
    if prop.rssi is not None and prop.rssi < WEAK_DBM:
        found.append(Badge("warn", "Weak signal", "soon"))
    return tuple(found)


def _signs(prop: PropView) -> str:
    """Say the pack and the signal of a prop's board."""
    parts = []
    if prop.charge_percent is not None:
        parts.append(f"pack {prop.charge_percent} %")
    if prop.battery_mv is not None:
        parts.append(f"{prop.battery_mv / 1000:.2f} V")
    if prop.rssi is not None:
        parts.append(f"signal {prop.rssi} dBm")
    return ", ".join(parts)


def _facts(board: BoardView) -> tuple[str, ...]:
    found = [
        f"epoch {board.epoch}" if board.epoch is not None else "",
        f"up {board.up_ms // 60_000} min" if board.up_ms is not None else "",
        f"last start: {board.reset}" if board.reset else "",
        f"pack {board.charge_percent} %" if board.charge_percent is not None else "",
        f"{board.battery_mv / 1000:.2f} V" if board.battery_mv is not None else "",
        f"{board.rssi} dBm" if board.rssi is not None else "",
        f"firmware {board.fw}" if board.fw else "",
        f"settings {board.settings}" if board.settings is not None else "",
        f"started anew {board.boots} times" if board.boots > 1 else "",
        f"{board.dropped} fell out unsent" if board.dropped else "",
        "holds still" if board.stopped else "",
    ]
    return tuple(each for each in found if each)
