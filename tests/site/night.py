"""An invented evening for the pages: props in every state, a desk that obeys, a small journal.

It knows just enough of orders to show their effect on a page; no rule of the show is here.
"""

from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any

from haunt.core import events
from haunt.core.decisions import Decision, Outcome, Source
from haunt.live.crew import Answer, MakeEvent
from haunt.live.errors import CrewMistake
from haunt.live.eyes import Hit
from haunt.live.views import BoardView, Labels, NightView, PropView, PropWord, SensorView
from haunt.site.lists import DECISION_COLUMNS, csv_of
from haunt.site.ports import KeptShow
from haunt.store.breaks import Break

DUSK_MS = 1_793_471_400_000  # 2026-10-31T18:30:00Z
CYCLE = (PropWord.READY, PropWord.PLAYING, PropWord.REST, PropWord.REST)
EMPTY_NIGHT = NightView(
    seq=1,
    at_ms=DUSK_MS,
    show_id="garden",
    show_name="Walled garden",
    time_zone="Europe/London",
    show_version=1,
    link_up=True,
    stopped=False,
    stopped_by="",
    stopped_since_ms=None,
    release_at_ms=None,
    epoch=7,
    open=False,
    phases=(),
    quiet=False,
    walk_test=False,
    next_change_ms=None,
    next_change="",
    stop_unheard=(),
    broken="",
)


def a_prop(prop: str, name: str, word: PropWord, place: str = "", **more: Any) -> PropView:
    plain = PropView(
        id=prop,
        name=name,
        board=f"b-{prop}",
        word=word,
        until_ms=None,
        behaviour=None,
        behaviours=("wake", "murmur"),
        charge_percent=80,
        battery_mv=None,
        rssi=-58,
        here=word is not PropWord.LOST,
        last_heard_ms=DUSK_MS - 4_000,
        last_motion_ms=DUSK_MS - 40_000,
        last_decision=None,
        sentence="Fired wake.",
        fired=14,
        refused=5,
        lapsed=1,
        cooldown_ms=12_000,
        arm_by_hand=False,
        held_by=None,
        unconfirmed=False,
        x_m=None,
        y_m=None,
        place=place,
    )
    return replace(plain, **more)


def a_board(prop: PropView, *, stopped: bool = False) -> BoardView:
    return BoardView(
        id=prop.board,
        here=prop.here,
        stopped=stopped,
        epoch=7,
        last_heard_ms=prop.last_heard_ms,
        fw="1.0.0",
        reset="power-on",
        up_ms=5_400_000,
        battery_mv=None,
        charge_percent=prop.charge_percent,
        rssi=prop.rssi,
        counted=20,
        journalled=20 if prop.id != "bell" else 18,
        props=(prop.id,),
    )


def a_sensor(prop: PropView, **more: Any) -> SensorView:
    plain = SensorView(
        f"{prop.id}-eye", prop.place or prop.id, prop.board, "pir", prop.here, (prop.id,)
    )
    return replace(plain, **more)


def evening_props(at_ms: int = DUSK_MS) -> list[PropView]:
    """Ten props along a path, one in each state that a prop can have while the show runs."""
    return [
        a_prop(
            "porter",
            "Gate porter",
            PropWord.LOST,
            "left of the gate",
            last_heard_ms=at_ms - 960_000,
            sentence="Refused: its board is lost, 2.1 s by then.",
        ),
        a_prop("owl", "Tin owl", PropWord.READY, "old pear tree"),
        a_prop("lantern", "Lantern child", PropWord.READY, "first bend"),
        a_prop("loom", "Spider loom", PropWord.READY, "wood shed", charge_percent=14),
        a_prop(
            "lid",
            "Creaking lid",
            PropWord.WAITING,
            "long bed",
            until_ms=at_ms + 4_000,
            sentence="Fired murmur after 1.2 s of waiting.",
        ),
        a_prop("bell", "Drowned bell", PropWord.CLOSED, "pond", last_motion_ms=None, sentence=""),
        a_prop(
            "hound",
            "Cellar hound",
            PropWord.HELD,
            "cellar steps",
            arm_by_hand=True,
            held_by="phone 192.0.2.7",
        ),
        a_prop("well", "Fog well", PropWord.LOCKED_OUT, "well", held_by="Ada", locked_by="Ada"),
        a_prop("crone", "Crone at the pot", PropWord.OUT_OF_SERVICE, "kitchen yard", rssi=-81),
        a_prop(
            "ferry",
            "Ferryman",
            PropWord.REST,
            "landing",
            until_ms=at_ms + 75_000,
            unconfirmed=True,
        ),
    ]


def a_night(props: list[PropView] | None = None, at_ms: int = DUSK_MS) -> NightView:
    shown = evening_props(at_ms) if props is None else props
    return replace(
        EMPTY_NIGHT,
        at_ms=at_ms,
        open=True,
        phases=("families",),
        next_change_ms=at_ms + 2_400_000,
        next_change="phase late",
        props={each.id: each for each in shown},
        boards={each.board: a_board(each) for each in shown},
        sensors={f"{each.id}-eye": a_sensor(each) for each in shown},
    )


class StandInDesk:
    """Satisfies `crew.Desk`: each order changes the view at once."""

    def __init__(self, night: NightView) -> None:
        self._night = night
        self._words = {each.id: each.word for each in night.props.values()}
        self._keys: set[str] = set()
        self.orders: list[events.Event] = []
        self.failing: Exception | None = None
        self.silent = False

    def view(self) -> NightView:
        if self.failing is not None:
            raise self.failing
        return self._night

    def change(self, **more: Any) -> None:
        self._night = replace(self._night, seq=self._night.seq + 1, **more)

    def change_prop(self, prop: str, **more: Any) -> None:
        props = dict(self._night.props)
        props[prop] = replace(props[prop], **more)
        self.change(props=props)

    def change_sensor(self, sensor: str, **more: Any) -> None:
        sensors = dict(self._night.sensors)
        sensors[sensor] = replace(sensors[sensor], **more)
        self.change(sensors=sensors)

    def see(self, sensor: str, hits: int = 1, a_minute: int = 1) -> None:
        """Somebody passes a sensor."""
        number = (self._night.last_hit.number if self._night.last_hit is not None else 0) + 1
        self.change_sensor(sensor, hits=hits, a_minute=a_minute, last_ms=self._night.at_ms)
        self.change(last_hit=Hit(sensor, self._night.at_ms, number))

    def advance(self, at_ms: int) -> frozenset[str]:
        """Let the lantern go once round its states; four seconds a step. Somebody walks past."""
        self.change(at_ms=at_ms)
        if self._night.walk_test:
            self.see("owl-eye", at_ms // 1000 % 100)
        prop = self._night.props.get("lantern")
        if prop is None or prop.word not in CYCLE:
            return frozenset()
        step = at_ms // 1000
        word = CYCLE[step % len(CYCLE)]
        until = (step + 2) * 1000 if word is PropWord.REST else None
        self.change_prop("lantern", word=word, until_ms=until, fired=step % 1000)
        return frozenset(("lantern",))

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        assert by, (what, about, labels)
        event = make(self._night.at_ms, self._night.at_ms)
        self.orders.append(event)
        future: Future[Answer] = Future()
        if not self.silent:
            future.set_result(self._obey(event))
        return future

    def _obey(self, event: events.Event) -> Answer:
        match event:
            case events.Stopped(by=by):
                self._stop(by)
            case events.StopReleased():
                self._go_on()
            case events.Held(prop=prop, by=by):
                self._hold(prop, by)
            case events.HoldReleased(prop=prop):
                self._release(prop)
            case events.PhaseByHand(phase=phase):
                self.change(phases=(phase,) if phase else ())
            case events.FiredByHand():
                return self._fire(event)
            case _:
                self._obey_hands(event)
        return Answer()

    def _stop(self, by: str) -> None:
        for prop in self._night.props.values():
            if prop.word in {*CYCLE, PropWord.WAITING, PropWord.CLOSED}:
                self.change_prop(prop.id, word=PropWord.STOPPED, until_ms=None)
        self.change(
            stopped=True, stopped_by=by, stopped_since_ms=self._night.at_ms, epoch=8,
            stop_unheard=tuple(b.id for b in self._night.boards.values() if not b.here),
        )  # fmt: skip

    def _go_on(self) -> None:
        for prop in self._night.props.values():
            self.change_prop(prop.id, word=self._words[prop.id])
        self.change(stopped=False, stopped_by="", stopped_since_ms=None, stop_unheard=())

    def _hold(self, prop: str | None, by: str) -> None:
        for each in self._night.props.values():
            if prop in {None, each.id}:
                self.change_prop(each.id, word=PropWord.HELD, held_by=by, until_ms=None)

    def _release(self, prop: str | None) -> None:
        for each in self._night.props.values():
            if each.id == prop or (prop is None and not each.arm_by_hand):
                self.change_prop(each.id, word=PropWord.READY, held_by=None)

    def _obey_hands(self, event: events.Event) -> None:
        match event:
            case events.LockedOut(prop=prop, on=on, by=by):
                self._lock(prop, by if on else "")
            case events.ServiceChanged(prop=prop, out=out):
                word = PropWord.OUT_OF_SERVICE if out else PropWord.READY
                self.change_prop(prop, word=word, out_of_service=out)
            case events.Muted(sensor=sensor, on=on, for_ms=for_ms, by=by):
                until = None if for_ms is None or not on else self._night.at_ms + for_ms
                self.change_sensor(
                    sensor, muted=on, muted_until_ms=until, muted_by=by if on else ""
                )
            case events.WalkTest(on=on, by=by):
                self.change(walk_test=on, walk_by=by, walk_since_ms=self._night.at_ms)
            case _:
                pass

    def _lock(self, prop: str, by: str) -> None:
        word = PropWord.LOCKED_OUT if by else PropWord.READY
        self.change_prop(prop, word=word, locked_by=by, held_by=by or None)

    def _fire(self, event: events.FiredByHand) -> Answer:
        if event.key in self._keys:
            return Answer()
        self._keys.add(event.key)
        self.change_prop(event.prop, word=PropWord.PLAYING)
        behaviour = event.behaviour or "wake"
        at = event.wall_ms
        fired = Decision(
            at,
            at,
            Source.HAND,
            None,
            None,
            event.prop,
            Outcome.FIRED,
            None,
            behaviour,
            "c1",
            0,
            None,
        )
        return Answer((fired,))


@dataclass(slots=True)
class StandInPage:
    items: list[dict[str, Any]]
    next: int | None = None


def a_row(number: int, prop: str, outcome: str, reason: str | None = None) -> dict[str, Any]:
    return {
        "id": number,
        "at": f"2026-10-31T18:{number % 60:02d}:05.000Z",
        "source": "motion",
        "motion": f"b-{prop}-7f3a91c2d405-{number}",
        "sensor": f"{prop}-eye",
        "prop": prop,
        "outcome": outcome,
        "reason": reason,
        "behaviour": "wake" if outcome == "fired" else None,
        "cue": None,
        "waited_ms": 0,
        "margin": 4200 if reason == "cooldown" else None,
    }


def evening_rows() -> list[dict[str, Any]]:
    kinds = (("fired", None), ("refused", "cooldown"), ("refused", "held"), ("lapsed", "stale"))
    props = ("owl", "lantern", "ferry")
    return [a_row(n, props[n % 3], *kinds[n % 4]) for n in range(1, 41)]


@dataclass(slots=True)
class StandInReader:
    """Satisfies `ports.NightReader` from rows in memory; notes what it was asked."""

    rows: list[dict[str, Any]] = field(default_factory=evening_rows)
    asked: list[dict[str, Any]] = field(default_factory=list)
    failing: Exception | None = None
    broken: list[Break] = field(default_factory=list)

    def decisions(self, **asked: Any) -> StandInPage:
        if self.failing is not None:
            raise self.failing
        self.asked.append(asked)
        wanted = {name: asked.get(name) for name in ("prop", "sensor", "outcome", "reason")}
        found = [
            row for row in self.rows if all(v is None or row[k] == v for k, v in wanted.items())
        ]
        if asked.get("newest"):
            return StandInPage(found[-asked["limit"] :])
        return StandInPage(found[: asked.get("limit", 100)])

    def motions(self, **asked: Any) -> StandInPage:
        self.asked.append(asked)
        return StandInPage([])

    reports = health = alerts = motions

    def decision_lines(self, **asked: Any) -> Iterator[str]:
        """A line a row, written as the store would."""
        rows = self.decisions(**asked, limit=len(self.rows)).items
        _head, *lines = "".join(csv_of(DECISION_COLUMNS, rows)).splitlines(keepends=True)
        yield from lines

    def breaks(self, *asked: Any) -> list[Break]:
        return [each for each in self.broken if asked[2] is None or each.at_ms >= asked[2]]


@dataclass(slots=True)
class StandInKeeper:
    """Satisfies `ports.ShowKeeper`: a cooldown changes on the desk, nothing else is kept."""

    desk: StandInDesk
    put_texts: list[str] = field(default_factory=list)

    def toml(self) -> str:
        return '[show]\nid = "garden"\ntime_zone = "Europe/London"\n'

    def kept(self) -> KeptShow:
        return KeptShow(len(self.put_texts) + 1, self.toml())

    def as_json(self) -> dict[str, Any]:
        return {"show": {"id": "garden"}}

    def put(self, text: str, by: str, on: int | None = None) -> int:
        assert by, on
        self.put_texts.append(text)
        return len(self.put_texts) + 1

    def patch_prop(self, prop: str, values: dict[str, Any], by: str) -> int:
        assert by
        if prop not in self.desk.view().props:
            raise CrewMistake(f"there is no prop {prop!r}", about=prop, missing=True)
        if "cooldown_s" in values:
            self.desk.change_prop(prop, cooldown_ms=round(values["cooldown_s"] * 1000))
        return 2
