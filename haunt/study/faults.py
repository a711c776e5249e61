"""What may go wrong in a simulated world, as shares and mean gaps; all zero is a perfect night."""

from dataclasses import dataclass

from haunt.core.calendar import HOUR_MS


@dataclass(frozen=True, slots=True)
class Faults:
    """Shares are per message. `*_every_ms` is the mean gap of that fault, 0 never.

    It is that of one board where boards are befallen, else of the whole show.
    `link_lost` is a connection cut that both ends notice; `dark` one that nobody notices, with the
    board's Wi-Fi; `cut_off` the same between controller and broker. `broker_down` restarts it in
    good order; `broker_killed` loses what it saved last up to a second ago.
    """

    delay_ms: int = 2
    jitter_ms: int = 3
    duplicate: float = 0.0
    slow: float = 0.0
    slow_ms: int = 4000
    lost_qos0: float = 0.0
    link_lost_every_ms: int = 0
    link_lost_ms: int = 20_000
    dark_every_ms: int = 0
    dark_ms: int = 25_000
    reboot_every_ms: int = 0
    broker_down_every_ms: int = 0
    broker_down_ms: int = 5000
    broker_killed_every_ms: int = 0
    cut_off_every_ms: int = 0
    cut_off_ms: int = 12_000
    frozen_every_ms: int = 0
    frozen_ms: int = 7000
    clock_step_every_ms: int = 0
    clock_step_ms: int = HOUR_MS
    restart_every_ms: int = 0
    restart_ms: int = 8000
    store_slow_every_ms: int = 0
    store_slow_ms: int = 3000
    store_fails_every_ms: int = 0
    store_fails_ms: int = 8000
    crew_every_ms: int = 0
    """Not a fault: people stop, release, hold, fire, mute, calm, and change a cooldown."""


NONE = Faults()
ROUGH = Faults(
    duplicate=0.02,
    slow=0.005,
    lost_qos0=0.02,
    link_lost_every_ms=900_000,
    dark_every_ms=1_800_000,
    reboot_every_ms=1_800_000,
    broker_down_every_ms=HOUR_MS,
    broker_killed_every_ms=HOUR_MS,
    cut_off_every_ms=1_800_000,
    frozen_every_ms=HOUR_MS,
    clock_step_every_ms=5_400_000,
    restart_every_ms=900_000,
    store_slow_every_ms=1_200_000,
    store_fails_every_ms=1_800_000,
    crew_every_ms=600_000,
)
"""A bad night: each board drops its link six times an hour and reboots twice; the controller is
killed four times an hour.
"""
