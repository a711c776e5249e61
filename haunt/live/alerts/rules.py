"""When something is a fault: pure functions of what was heard and of the time, one a kind.

Thresholds without a source are choices; each says beside it why.
"""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from haunt.core.boards import READINGS_MAX
from haunt.core.calendar import utc
from haunt.live.alerts.kinds import Finding, Kind
from haunt.live.alerts.tracks import CHATTER_COUNT, CHATTER_WITHIN_MS, BoardTrack, SensorTrack
from haunt.live.ports import JournalCounts

LOOP_BOOTS, LOOP_WITHIN_MS = 3, 120_000
"""Who fiddles with a plug starts a board twice; three starts in two minutes are the board's own."""
RETURNS_WITHIN_MS: Final = 120_000
"""A message on its way through a restart makes one return, and its successor another; the third
within two minutes is a second board."""
QUIET_AFTER_MS: Final = 10_000
"""What comes message by message is there for this long after each; a board speaks every 5 s."""
COUNTS_SETTLE_MS, COUNTS_LOOKS = 20_000, 3
"""A motion may be on its way for as long as a board needs to reconnect; three health messages and
twenty seconds later it was lost."""
STUCK_MS: Final = 120_000
JUMPS_WITHIN_MS: Final = 60_000
ODD_STREAK: Final = 2
"""One wild reading is noise."""
LOW_PERCENT, LOW_PERCENT_OVER = 20, 25
TOGETHER_MS: Final = 20_000
TOGETHER_BOARDS, TOGETHER_OF_ONE_CIRCUIT = 4, 2
"""Where circuits are not known, four at once are more than chance."""
GAP_SHOWN_MS: Final = 60_000
BACKLOG_MAX: Final = 1000
"""A twentieth of what it holds, twenty seconds of the busiest night."""
DISK_LEAST_MB: Final = 200
"""A busy night writes some tens of MB; SQLite needs as much again to tidy up."""
WALL_FIRST_MS, WALL_LAST_MS = 1_767_225_600_000, 4_102_444_800_000
"""2026, before which this program did not exist, and 2100."""
LINK_GRACE_MS: Final = 3_000
"""A broker that restarts is back sooner."""


# --- one board


class Charge(NamedTuple):
    """Charge at rest, the median of so many readings; `is_told` while an alert says it is low."""

    percent: int | None
    readings: int
    is_told: bool = False


def board_findings(track: BoardTrack, charge: Charge, mono_ms: int) -> list[Finding]:
    """Return what is wrong with a board that is here; two boards under one id explain the rest."""
    found: list[Finding | None] = [nonsense(track, mono_ms)]
    twins = two_boards(track, mono_ms)
    if twins is not None:
        found.append(twins)
    else:
        found += [
            boot_loop(track, mono_ms),
            board_clock(track, mono_ms),
            counters(track, mono_ms),
            pack_odd(track, mono_ms) or pack_low(track, charge),
        ]
    return [each for each in found if each is not None]


def boot_loop(track: BoardTrack, mono_ms: int) -> Finding | None:
    if not track.boots:
        return None
    if track.returns_ms and mono_ms - track.returns_ms[-1] <= LOOP_WITHIN_MS:
        return None  # who comes back never went
    recent = [reset for ms, reset in track.boots if mono_ms - ms <= LOOP_WITHIN_MS]
    if len(recent) < LOOP_BOOTS:
        return None
    case = max(("brown-out", "watchdog"), key=recent.count)
    if recent.count(case) * 2 < len(recent):
        case = ""
    return Finding(Kind.BOOT_LOOP, track.id, (("case", case), ("count", str(len(recent)))))


def two_boards(track: BoardTrack, mono_ms: int) -> Finding | None:
    returns = track.returns_ms
    if len(returns) < 3 or mono_ms - returns[0] > RETURNS_WITHIN_MS:
        return None
    return Finding(Kind.TWO_BOARDS, track.id)


def board_clock(track: BoardTrack, mono_ms: int) -> Finding | None:
    if not track.odd_clock or mono_ms - track.odd_clock_ms > QUIET_AFTER_MS:
        return None
    return Finding(Kind.BOARD_CLOCK, track.id, total=track.odd_clock)


def nonsense(track: BoardTrack, mono_ms: int) -> Finding | None:
    if not track.nonsense or mono_ms - track.nonsense_ms > QUIET_AFTER_MS:
        return None
    return Finding(Kind.NONSENSE, track.id, (("why", track.nonsense_why),), track.nonsense)


def counters(track: BoardTrack, mono_ms: int) -> Finding | None:
    counts = track.counts
    if counts.since_ms is None or counts.looks < COUNTS_LOOKS:
        return None
    if mono_ms - counts.since_ms < COUNTS_SETTLE_MS:
        return None
    about = (
        ("case", "short" if counts.is_short else "over"),
        ("counted", str(counts.counted)),
        ("journalled", str(counts.journalled)),
    )
    return Finding(Kind.COUNTERS, track.id, about)


def pack_odd(track: BoardTrack, mono_ms: int) -> Finding | None:
    pack = track.pack
    if pack.odd_streak >= ODD_STREAK:
        return Finding(Kind.PACK_ODD, track.id, (("case", pack.odd), ("mv", str(pack.mv))))
    jumps = pack.jumps_ms
    if len(jumps) == 2 and mono_ms - jumps[0] <= JUMPS_WITHIN_MS:
        about = (("case", "jump"), ("was", str(pack.was_mv)), ("mv", str(pack.mv)))
        return Finding(Kind.PACK_ODD, track.id, about)
    return None


def pack_low(track: BoardTrack, charge: Charge) -> Finding | None:
    if charge.percent is None or charge.readings < READINGS_MAX:
        return None
    if charge.percent >= (LOW_PERCENT_OVER if charge.is_told else LOW_PERCENT):
        return None
    return Finding(Kind.PACK_LOW, track.id, (("percent", str(charge.percent)),))


# --- one sensor


def sensor_findings(track: SensorTrack, mono_ms: int) -> list[Finding]:
    found = []
    if track.high_ms > STUCK_MS:
        minutes = str(track.high_ms // 60_000)
        found.append(Finding(Kind.STUCK, track.id, (("minutes", minutes),)))
    times = track.times_ms
    if len(times) == CHATTER_COUNT and mono_ms - times[0] <= CHATTER_WITHIN_MS:
        found.append(Finding(Kind.CHATTER, track.id, (("count", _a_minute(times)),)))
    return found


def _a_minute(times: Sequence[int]) -> str:
    """In steps of ten: the words of an alert do not change with each report."""
    rate = (len(times) - 1) * 60_000 / max(1, times[-1] - times[0])
    return f"about {max(40, round(rate, -1)):.0f}"


# --- boards that are lost


def lost_findings(gone: Sequence[tuple[int, str]], circuits: dict[str, str]) -> list[Finding]:
    """`gone` are (since, board). Those lost together are one fault: of a circuit, or of many."""
    found: list[Finding] = []
    for circuit, some in _by_circuit(gone, circuits).items():
        least = TOGETHER_OF_ONE_CIRCUIT if circuit else TOGETHER_BOARDS
        bunch: list[tuple[int, str]] = []
        for each in [*sorted(some), (1 << 62, "")]:
            if bunch and each[0] - bunch[0][0] > TOGETHER_MS:
                found += _bunch(circuit, bunch, least)
                bunch = []
            bunch.append(each)
    return _merged(found)


def _by_circuit(
    gone: Sequence[tuple[int, str]], circuits: dict[str, str]
) -> dict[str, list[tuple[int, str]]]:
    found: dict[str, list[tuple[int, str]]] = {}
    for ms, board in gone:
        found.setdefault(circuits.get(board, ""), []).append((ms, board))
    return found


def _bunch(circuit: str, bunch: Sequence[tuple[int, str]], least: int) -> Iterator[Finding]:
    if len(bunch) < least:
        yield from (Finding(Kind.LOST, board) for _ms, board in bunch)
    else:
        boards = " ".join(sorted(board for _ms, board in bunch))
        yield Finding(Kind.LOST_TOGETHER, circuit, (("circuit", circuit), ("boards", boards)))


def _merged(findings: Sequence[Finding]) -> list[Finding]:
    """Two bunches of one circuit are one errand."""
    found: dict[str, Finding] = {}
    for each in findings:
        known = found.get(each.key)
        found[each.key] = each if known is None else _joined(known, each)
    return [*found.values()]


def _joined(one: Finding, other: Finding) -> Finding:
    circuit, boards = one.about
    both = sorted([*boards[1].split(), *other.about[1][1].split()])
    return one._replace(about=(circuit, ("boards", " ".join(both))))


# --- the controller itself


class House(NamedTuple):
    """How the controller stands; `lost` are motions that are not in the journal."""

    journal: JournalCounts
    lost: int
    free_mb: int | None
    wall_ms: int


def house_findings(house: House, down_ms: int, lost_ago_ms: int) -> list[Finding]:
    """`down_ms` is for how long there has been no broker, 0 where there is one."""
    found = []
    if down_ms >= LINK_GRACE_MS:
        found.append(Finding(Kind.LINK, ""))
    if not WALL_FIRST_MS <= house.wall_ms < WALL_LAST_MS:
        found.append(Finding(Kind.CLOCK, "", (("date", _date(house.wall_ms)),)))
    if house.free_mb is not None and house.free_mb < DISK_LEAST_MB:
        found.append(Finding(Kind.DISK, "", (("left", str(house.free_mb)),)))
    about = _journal(house, lost_ago_ms)
    if about:
        found.append(Finding(Kind.JOURNAL, "", about))
    return found


def _date(wall_ms: int) -> str:
    try:
        return f"{utc(wall_ms):%Y-%m-%d}"
    except (ValueError, OverflowError, OSError):
        return "no date at all"


def _journal(house: House, lost_ago_ms: int) -> tuple[tuple[str, str], ...]:
    if house.journal.failing:
        return (("case", "failing"), ("why", house.journal.failing))
    if house.lost and lost_ago_ms <= GAP_SHOWN_MS:
        return (("case", "gaps"), ("count", str(house.lost)))
    if house.journal.backlog > BACKLOG_MAX:
        return (("case", "behind"), ("count", str(house.journal.backlog // 1000 * 1000)))
    return ()
