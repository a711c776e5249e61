"""What a snapshot keeps of a night: plain fields, by prop, board, sensor, and of the whole.

A field that is added here needs a default: snapshots of before do not have it.
"""

from dataclasses import dataclass, field

from haunt.core.seen import SeqWindow


@dataclass(slots=True, eq=False)
class PropMemory:
    last_start_ms: int | None = None
    last_end_ms: int | None = None
    last_behaviour: str | None = None
    claim_until_ms: int = 0
    starts_ms: list[int] = field(default_factory=list)
    on_times: list[tuple[int, int]] = field(default_factory=list)
    on_total_ms: int = 0
    spread_ms: int = 0
    held: bool = False
    held_until_ms: int | None = None
    held_by: str = ""
    locked_by: str = ""
    out_of_service: bool = False
    retired: bool = False
    low_streak: int = 0
    said: list[str] = field(default_factory=list)


@dataclass(slots=True)
class BoardMemory:
    here: bool = False
    boot: str = ""
    booted_ms: int = 0
    reset: str = "unknown"
    gone_ms: int | None = None
    charge_percent: int | None = None
    rest_readings: list[int] = field(default_factory=list)
    seen: SeqWindow = field(default_factory=SeqWindow)
    seen_before: dict[str, SeqWindow] = field(default_factory=dict)


@dataclass(slots=True)
class SensorMemory:
    last_seen_ms: int | None = None
    last_accepted_ms: int | None = None
    lull_from_ms: int | None = None
    active_ms: int = 0
    recent_ms: list[int] = field(default_factory=list)
    muted: bool = False
    muted_until_ms: int | None = None


@dataclass(slots=True)
class NightMemory:
    now_ms: int = 0
    offset_ms: int = 0
    epoch: int = 0
    stopped: bool = False
    release_at_ms: int | None = None
    released_ms: int = 0
    walk_test: bool = False
    doors: str = "timetable"
    extend_ms: int = 0
    extended_wall_ms: int = 0
    hand_phase: str | None = None
    hand_phase_until_ms: int = 0
    link_up: bool = False
    arrivals: int = 0
    owed: int = 0
    fired: int = 0
    refused: int = 0
    lapsed: int = 0
    odd_reports: int = 0
    duplicates: int = 0
    timetable_due: dict[int, int] = field(default_factory=dict)
    hand_keys: list[str] = field(default_factory=list)
