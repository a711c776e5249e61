"""What may go wrong in a simulated world, as shares and mean gaps; all zero is a perfect night."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Faults:
    """Shares are per message; `*_every_ms` is the mean gap of that fault for one board, 0 never."""

    delay_ms: int = 2
    jitter_ms: int = 3
    duplicate: float = 0.0
    slow: float = 0.0
    slow_ms: int = 4000
    lost_qos0: float = 0.0
    link_lost_every_ms: int = 0
    link_lost_ms: int = 20_000
    reboot_every_ms: int = 0
    broker_down_every_ms: int = 0
    broker_down_ms: int = 5000
    clock_step_every_ms: int = 0
    clock_step_ms: int = 3_600_000
    restart_every_ms: int = 0
    journal_stuck_every_ms: int = 0
    journal_stuck_ms: int = 3000


NONE = Faults()
ROUGH = Faults(
    duplicate=0.02,
    slow=0.005,
    lost_qos0=0.02,
    link_lost_every_ms=900_000,
    reboot_every_ms=1_800_000,
    broker_down_every_ms=3_600_000,
    clock_step_every_ms=5_400_000,
    restart_every_ms=5_400_000,
    journal_stuck_every_ms=1_200_000,
)
"""A bad night: each board drops its link four times an hour and reboots twice."""
