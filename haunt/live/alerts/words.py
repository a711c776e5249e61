"""What a fault is called and what to do about it, in words for a person in the dark."""

from collections.abc import Mapping
from typing import Final

from haunt.core.show import Show
from haunt.live.alerts.kinds import SENSOR_KINDS, Finding, Kind
from haunt.live.views import Labels

NAMED_MAX: Final = 6


class Names:
    """Boards, sensors and props as people call them, with their places."""

    def __init__(self, show: Show, labels: Labels) -> None:
        self._labels = labels
        self._props = {prop.id: prop.name for prop in show.props}
        self._carried: dict[str, list[str]] = {board.id: [] for board in show.boards}
        for prop in show.props:
            self._carried[prop.board].append(prop.id)
        self._eyes: dict[str, list[str]] = {board.id: [] for board in show.boards}
        for sensor in show.sensors:
            self._eyes[sensor.board].append(sensor.id)

    def board(self, board: str) -> str:
        props = [self.prop(each) for each in self._carried.get(board, ())]
        eyes = [] if props else [self.sensor(each) for each in self._eyes.get(board, ())]
        return "; ".join([*props, *eyes]) or f"Board {board}"

    def prop(self, prop: str) -> str:
        name = self._props.get(prop, prop)
        _x_m, _y_m, place = self._labels.places.get(prop, (None, None, ""))
        return f"{name}, {place}" if place else name

    def sensor(self, sensor: str) -> str:
        place = self._labels.sensors.get(sensor, "")
        return f"Sensor {sensor}, {place}" if place and place != sensor else f"Sensor {sensor}"


_BOARD: Final = frozenset(
    {
        Kind.LOST,
        Kind.BOOT_LOOP,
        Kind.TWO_BOARDS,
        Kind.BOARD_CLOCK,
        Kind.COUNTERS,
        Kind.NONSENSE,
        Kind.DEAF,
        Kind.PACK_ODD,
        Kind.PACK_LOW,
        Kind.PACK_SHORT,
    }
)

SAYINGS: Final[Mapping[Kind, tuple[str, str]]] = {
    Kind.LOST: ("{who}: {how}", "{todo}"),
    Kind.LOST_TOGETHER: ("{where}{count} boards {how}: {names}", "{todo}"),
    Kind.BOOT_LOOP: ("{who}: {how}, {count} times in 2 min", "{todo}"),
    Kind.TWO_BOARDS: (
        "{who}: two boards use this one id",
        "Switch one of the two off; give it an id and a password of its own.",
    ),
    Kind.BOARD_CLOCK: (
        "{who}: its clock is wrong, its motions count as too late",
        "Restart the board; it takes the time from the next beat.",
    ),
    Kind.COUNTERS: (
        "{who}: board counted {counted} motions, journal has {journalled}",
        "{todo}",
    ),
    Kind.NONSENSE: (
        "{who}: sends what makes no sense",
        "Look at its firmware and its file. Last: {why}.",
    ),
    Kind.STRANGER: (
        "Board {id} is not in this show",
        "Add it to the show, or put the right id into its file.",
    ),
    Kind.DEAF: ("{who}: did not confirm the stop", "Switch it off by hand."),
    Kind.PACK_ODD: ("{who}: {how}", "{todo}"),
    Kind.PACK_LOW: ("{who}: pack at {percent} %", "Have a charged one ready."),
    Kind.PACK_SHORT: (
        "{who}: pack will not last, to about {ends}",
        "Close is {close}. Have a charged one there before, or let it rest longer.",
    ),
    Kind.STUCK: (
        "{who}: on for {minutes} min without a pause",
        "Look what stands before it. Mute it if nothing does.",
    ),
    Kind.CHATTER: (
        "{who}: fires {count} times a minute",
        "Mute it. Look for a loose lead, low sun, fog or branches.",
    ),
    Kind.SILENT: (
        "{who}: saw nothing while its neighbours saw {count} groups",
        "Wave before it. Look whether it is covered, turned away or unplugged.",
    ),
    Kind.UNCONFIRMED: (
        "{who}: did not answer its last cue",
        "Look whether it moves; board {board} may hang.",
    ),
    Kind.LINK: ("No broker: nothing can fire", "Check the broker and the network."),
    Kind.JOURNAL: ("The log has gaps: {how}", "The show goes on. Check the disk."),
    Kind.DISK: ("The disk is nearly full: {left} MB left", "Delete what is not needed."),
    Kind.CLOCK: (
        "This machine's clock says {date}",
        "Set it: opening, phases and quiet hours go by it.",
    ),
}
LOST: Final[Mapping[str, tuple[str, str]]] = {
    "": ("lost", "Check the supply of board {id}, then its Wi-Fi."),
    "never": ("not heard yet", "Is board {id} powered, its file on it?"),
}
TOGETHER: Final[Mapping[str, tuple[str, str]]] = {
    "": (
        "lost",
        "Check the ground-fault device, the breaker, the access point. Never bypass what trips.",
    ),
    "never": ("not heard yet", "Are they powered, their files on them? Look under Boards."),
}
RESTARTS: Final[Mapping[str, tuple[str, str]]] = {
    "brown-out": (
        "restarts by brown-out",
        "Its supply sags: charge or change the pack, check plugs and leads, hold what draws most.",
    ),
    "watchdog": (
        "restarts by its watchdog",
        "Its program hangs: unplug it for ten seconds; swap the board if it goes on.",
    ),
    "": (
        "restarts again and again",
        "Check plug, leads and switch; swap the board if it goes on.",
    ),
}
PACKS: Final[Mapping[str, tuple[str, str]]] = {
    "high": (
        "pack reads {mv} mV, more than it can have",
        "Check the sense lead and the cell count. Is the pack hot or swollen: unplug it, outdoors.",
    ),
    "low": (
        "pack reads {mv} mV, less than it can have",
        "Check the sense lead and the plug. A pack this empty is not charged again.",
    ),
    "jump": (
        "pack reading jumps from {was} to {mv} mV",
        "Check the plug, the sense lead and the pack's own leads.",
    ),
}
COUNTERS: Final[Mapping[str, str]] = {
    "short": "Motions were lost on the way: check its signal. Its counts tonight are too low.",
    "over": "Restart the board, so that both count anew.",
}
JOURNAL: Final[Mapping[str, str]] = {
    "failing": "the disk refuses ({why})",
    "behind": "{count} records wait",
    "gaps": "{count} motions not journalled",
}


def words_of(finding: Finding, names: Names) -> tuple[str, str]:
    """Return what it is, with its place, and what to do."""
    about = dict(finding.about)
    what, todo = SAYINGS[finding.kind]
    about["id"], about["who"] = finding.subject, _who(finding, names)
    case = about.pop("case", "")
    match finding.kind:
        case Kind.LOST:
            about["how"], todo = LOST[case]
        case Kind.BOOT_LOOP:
            about["how"], about["todo"] = RESTARTS.get(case, RESTARTS[""])
        case Kind.PACK_ODD:
            how, about["todo"] = PACKS[case]
            about["how"] = how.format(**about)
        case Kind.COUNTERS:
            about["todo"] = COUNTERS[case]
        case Kind.JOURNAL:
            about["how"] = JOURNAL[case].format(**about)
        case Kind.LOST_TOGETHER:
            boards = about["boards"].split()
            said = [names.board(each) for each in boards[:NAMED_MAX]]
            more = len(boards) - NAMED_MAX
            about["names"] = "; ".join([*said, *([f"{more} more"] if more > 0 else [])])
            about["count"] = str(len(boards))
            about["where"] = f"{about['circuit']}: " if about["circuit"] else ""
            about["how"], about["todo"] = TOGETHER[case]
        case _:
            pass
    return what.format(**about), todo.format(**about)


def _who(finding: Finding, names: Names) -> str:
    if finding.kind in _BOARD:
        return names.board(finding.subject)
    if finding.kind in SENSOR_KINDS:
        return names.sensor(finding.subject)
    return names.prop(finding.subject)
