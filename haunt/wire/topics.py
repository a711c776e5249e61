"""Topics under `haunt/<show>/`: building, reading, and what each carries by QoS and retain flag.

Knows names only: no payload, no connection.
"""

from typing import Final, Literal, NamedTuple, get_args

from haunt.wire.forms import ALL, BOARD_ID_ALLOWED, ID_ALLOWED, is_board_id, is_id

UpKind = Literal["presence", "motion", "health", "report"]
DownKind = Literal["cue", "settings"]
AllKind = Literal["beat", "stop"]
Kind = Literal["presence", "motion", "health", "report", "cue", "settings", "beat", "stop"]
Qos = Literal[0, 1]

UP_KINDS: Final[tuple[UpKind, ...]] = get_args(UpKind)
DOWN_KINDS: Final[tuple[DownKind, ...]] = get_args(DownKind)
ALL_KINDS: Final[tuple[AllKind, ...]] = get_args(AllKind)
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

QOS: Final[dict[Kind, Qos]] = {
    "presence": 1,
    "motion": 1,
    "health": 0,  # the next one comes in 5 s: nothing is gained by repeating an old one
    "report": 1,
    "cue": 1,
    "settings": 1,
    "beat": 0,
    "stop": 1,
}
# A cue is never retained: a board that boots later would play it.
RETAINED: Final[frozenset[Kind]] = frozenset({"presence", "settings", "stop"})

_BY_NAME: Final[dict[str, Kind]] = {kind: kind for kind in KINDS}


class BoardTopic(NamedTuple):
    board: str  # `all` for beat and stop
    kind: Kind


class Subscription(NamedTuple):
    topic: str
    qos: Qos


class Topics:
    """The topics of one show."""

    __slots__ = ("_prefix", "beat", "root", "show", "stop")

    def __init__(self, show: str) -> None:
        if not is_id(show):
            raise ValueError(f"show id {show!r}; allowed: {ID_ALLOWED}")
        self.show: Final = show
        self.root: Final = f"haunt/{show}"
        self._prefix: Final = f"{self.root}/"
        self.beat: Final = f"{self.root}/{ALL}/beat"
        self.stop: Final = f"{self.root}/{ALL}/stop"

    def presence(self, board: str) -> str:
        return self.of(board, "presence")

    def motion(self, board: str) -> str:
        return self.of(board, "motion")

    def health(self, board: str) -> str:
        return self.of(board, "health")

    def report(self, board: str) -> str:
        return self.of(board, "report")

    def cue(self, board: str) -> str:
        return self.of(board, "cue")

    def settings(self, board: str) -> str:
        return self.of(board, "settings")

    def of(self, board: str, kind: UpKind | DownKind) -> str:
        """Raises ValueError for what cannot be a board's id."""
        if not is_board_id(board):
            raise ValueError(f"board id {board!r}; allowed: {BOARD_ID_ALLOWED}")
        return f"{self._prefix}{board}/{kind}"

    def parse(self, topic: str) -> BoardTopic | None:
        """Board and kind, or None for a topic of another show or of nobody."""
        if not topic.startswith(self._prefix):
            return None
        return _board_and_kind(topic[len(self._prefix) :])

    def board_subscriptions(self, board: str) -> tuple[Subscription, ...]:
        """What one board asks the broker for."""
        return (
            *(Subscription(self.of(board, kind), QOS[kind]) for kind in DOWN_KINDS),
            Subscription(self.beat, QOS["beat"]),
            Subscription(self.stop, QOS["stop"]),
        )

    def controller_subscriptions(self) -> tuple[Subscription, ...]:
        """What the controller asks for; its own retained stop too, to rise above its epoch.

        That at QoS 0: at a start it must not queue behind motions that are not acknowledged yet.
        """
        return (
            *(Subscription(f"{self._prefix}+/{kind}", QOS[kind]) for kind in UP_KINDS),
            Subscription(self.stop, 0),
        )

    def board_may_write(self, board: str) -> tuple[str, ...]:
        return tuple(self.of(board, kind) for kind in UP_KINDS)

    def board_may_read(self, board: str) -> tuple[str, ...]:
        return (*(self.of(board, kind) for kind in DOWN_KINDS), f"{self._prefix}{ALL}/#")


def parse(topic: str) -> BoardTopic | None:
    """Board and kind of a topic of any show."""
    parts = topic.split("/", 2)
    if len(parts) != 3 or parts[0] != "haunt" or not is_id(parts[1]):
        return None
    return _board_and_kind(parts[2])


def _board_and_kind(rest: str) -> BoardTopic | None:
    board, _, name = rest.partition("/")
    kind = _BY_NAME.get(name)
    if kind is None:
        return None
    if kind in ALL_KINDS:
        return BoardTopic(board, kind) if board == ALL else None
    return BoardTopic(board, kind) if is_board_id(board) else None
