"""What each fragment of a page is given: words and digits ready to print, one class a fragment."""

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from haunt.live.views import BoardView, NightView, PropView, PropWord

SHAPES = {
    PropWord.READY: ("disc", "Ready"),
    PropWord.PLAYING: ("play", "Playing"),
    PropWord.WAITING: ("ring", "Waiting"),
    PropWord.REST: ("ring", "Rest"),
    PropWord.CLOSED: ("hollow", "Closed"),
    PropWord.HELD: ("square", "On hold"),
    PropWord.STOPPED: ("square", "Stopped"),
    PropWord.LOCKED_OUT: ("square", "Locked out"),
    PropWord.OUT_OF_SERVICE: ("octagon", "Out of service"),
    PropWord.LOST: ("octagon", "Lost"),
}
LOW_PERCENT = 20
WEAK_DBM = -75


@dataclass(frozen=True, slots=True)
class Card:
    """One prop. `until_ms` lets the page count down; `left` is what it says without scripts."""

    id: str
    name: str
    place: str
    shape: str
    word: str
    kind: str
    left: str
    until_ms: int | None
    seen: str
    sentence: str
    pack: str
    low: bool
    weak: bool
    held: bool
    armed: bool
    unconfirmed: bool
    counts: str
    quiet: bool
    cooldown_s: str
    behaviours: tuple[str, ...]
    lost_at: str


@dataclass(frozen=True, slots=True)
class Need:
    """Something that needs a person: what, where, what to do. `level` is now or soon."""

    level: str
    what: str
    todo: str
    prop: str | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """The stop bar and the line under it."""

    stopped: bool
    by: str
    since: str
    counting: bool
    deaf: tuple[str, ...]
    link_up: bool
    broken: str


@dataclass(frozen=True, slots=True)
class Summary:
    title: str
    clock: str
    ready: int
    total: int
    playing: int
    held: int
    open: bool
    phase: str
    next: str
    next_ms: int | None
    counts: str
    gentle: bool


class Presenter:
    """Turns a view of the night into what the templates print, in the show's local time."""

    def __init__(self, night: NightView) -> None:
        self.night = night
        self._zone = ZoneInfo(night.time_zone)

    def clock(self, at_ms: int | None, *, seconds: bool = True) -> str:
        if at_ms is None:
            return "never"
        local = datetime.fromtimestamp(at_ms // 1000, UTC).astimezone(self._zone)
        return f"{local:%H:%M:%S}" if seconds else f"{local:%H:%M}"

    def card(self, prop: PropView) -> Card:
        shape, word = SHAPES[prop.word]
        low = prop.charge_percent is not None and prop.charge_percent < LOW_PERCENT
        weak = prop.rssi is not None and prop.rssi < WEAK_DBM
        return Card(
            id=prop.id,
            name=prop.name,
            place=prop.place,
            shape=shape,
            word=word,
            kind=prop.word.replace(" ", "-"),
            left=self._left(prop),
            until_ms=prop.until_ms,
            seen=self.clock(prop.last_motion_ms) if prop.last_motion_ms else "nobody yet",
            sentence=prop.sentence,
            pack=_pack(prop),
            low=low,
            weak=weak,
            held=prop.word is PropWord.HELD,
            armed=prop.arm_by_hand,
            unconfirmed=prop.unconfirmed,
            counts=f"{prop.fired} fired, {prop.refused} refused, {prop.lapsed} too late",
            quiet=prop.word is PropWord.READY and not (low or weak or prop.unconfirmed),
            cooldown_s=f"{prop.cooldown_ms / 1000:g}",
            behaviours=prop.behaviours,
            lost_at=self.clock(prop.last_heard_ms) if prop.word is PropWord.LOST else "",
        )

    def _left(self, prop: PropView) -> str:
        if prop.until_ms is None:
            return ""
        return f"{max(0, prop.until_ms - self.night.at_ms + 999) // 1000} s"

    def bar(self) -> Bar:
        night = self.night
        return Bar(
            stopped=night.stopped,
            by=night.stopped_by,
            since=self.clock(night.stopped_since_ms) if night.stopped_since_ms else "",
            counting=night.release_at_ms is not None,
            deaf=tuple(self._where(each) for each in night.stop_unheard),
            link_up=night.link_up,
            broken=night.broken,
        )

    def _where(self, board: str) -> str:
        props = [self.night.props[each] for each in self.night.boards[board].props]
        places = [f"{p.name}, {p.place}" if p.place else p.name for p in props]
        return f"{board} ({'; '.join(places)})" if places else board

    def summary(self) -> Summary:
        night, props = self.night, self.night.props.values()
        words = [each.word for each in props]
        counters = night.counters
        return Summary(
            title=night.show_name,
            clock=self.clock(night.at_ms, seconds=False),
            ready=words.count(PropWord.READY),
            total=len(words),
            playing=words.count(PropWord.PLAYING),
            held=words.count(PropWord.HELD),
            open=night.open,
            phase=", ".join(night.phases) + (" (quiet hours)" if night.quiet else ""),
            next=f"{night.next_change} at {self.clock(night.next_change_ms, seconds=False)}"
            if night.next_change_ms is not None
            else "",
            next_ms=night.next_change_ms,
            counts=f"{counters.motions} motions: {counters.fired} fired, "
            f"{counters.refused} refused, {counters.lapsed} too late",
            gentle="gentle" in night.phases,
        )

    def needs(self) -> list[Need]:
        """What needs a person, most pressing first."""
        now, soon = self._broken_now(), []
        for prop in self.night.props.values():
            if prop.unconfirmed:
                soon.append(
                    Need("soon", f"{prop.name} did not answer its last cue", "look at it", prop.id)
                )
            if prop.charge_percent is not None and prop.charge_percent < LOW_PERCENT:
                soon.append(
                    Need(
                        "soon",
                        f"{prop.name}: pack at {prop.charge_percent} %",
                        "have a spare ready",
                        prop.id,
                    )
                )
            if prop.word is PropWord.HELD:
                by = f" by {prop.held_by}" if prop.held_by else ""
                soon.append(
                    Need(
                        "person",
                        f"{prop.name} is on hold{by}",
                        "release it when all is clear",
                        prop.id,
                    )
                )
        return now + soon + self._counted()

    def _broken_now(self) -> list[Need]:
        found = []
        if self.night.broken:
            found.append(
                Need(
                    "now",
                    f"The rules broke: {self.night.broken}",
                    "restart haunt; the show stays stopped",
                )
            )
        if not self.night.link_up:
            found.append(
                Need("now", "No broker: nothing can fire", "check the broker and the network")
            )
        for prop in self.night.props.values():
            if prop.word is PropWord.LOST:
                where = f", {prop.place}" if prop.place else ""
                seen = (
                    f", last heard {self.clock(prop.last_heard_ms)}"
                    if prop.last_heard_ms
                    else ", never heard"
                )
                found.append(
                    Need(
                        "now",
                        f"{prop.name}{where}: lost{seen}",
                        f"check the supply of board {prop.board}",
                        prop.id,
                    )
                )
        return found

    def _counted(self) -> list[Need]:
        counters = self.night.counters
        lines = (
            (
                counters.not_journalled,
                "motions not journalled",
                "check the disk: the show goes on, the log has a gap",
            ),
            (counters.malformed, "messages made no sense", counters.last_malformed),
            (
                counters.unknown_ids,
                "messages of unknown boards or topics",
                "check ids in the boards' files",
            ),
            (
                counters.queue_dropped,
                "messages dropped: the controller cannot keep up",
                "look for a chattering sensor",
            ),
        )
        found = [Need("soon", f"{count} {what}", todo) for count, what, todo in lines if count]
        if counters.journal_failing:
            found.insert(0, Need("now", "The journal cannot be written", counters.journal_failing))
        return found

    def boards(self) -> list[BoardView]:
        return list(self.night.boards.values())


def _pack(prop: PropView) -> str:
    parts = []
    if prop.charge_percent is not None:
        parts.append(f"pack about {prop.charge_percent} %")
    elif prop.battery_mv is not None:
        parts.append(f"pack {prop.battery_mv / 1000:.2f} V")
    if prop.rssi is not None:
        parts.append(f"signal {prop.rssi} dBm")
    return ", ".join(parts)
