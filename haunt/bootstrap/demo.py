"""`haunt demo`: an invented garden with real boards in one thread and visitors walking by.

The boards are the firmware's own code on real sockets; only pins, packs and people are simulated.
"""

import json
import os
import secrets
import threading
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

from haunt.bootstrap.clock import SystemClock
from haunt.bootstrap.firmware import firmware
from haunt.bootstrap.server import Say, run_server
from haunt.config import Config
from haunt.mqtt.credentials import Credentials
from haunt.site.rights import Role
from haunt.study.boards import config_of
from haunt.study.chance import Chance
from haunt.study.schedule import Schedule
from haunt.study.visitors import Stop, Traffic, Visitors, path_of
from haunt.wire.showfile import read_show, show_from_json, show_to_toml
from haunt.wire.showmodels import ShowFile
from haunt.wire.showpower import Battery

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
POLL_S = 0.01
FIRST_SEEN_MS = 1300
"""By then every board has signed in."""
GROUPS_PER_HOUR = 300
CELL_MV = {"lead-acid": (2100, 1950), "nimh": (1350, 1150), "alkaline": (1550, 1100)}
LITHIUM_MV = (4080, 3550)
"""Resting volts of one cell, full and nearly empty: invented, near enough for a show."""
DRAINED_IN_MS = 2_400_000
SAG_SHARE = 0.03
DROP_AFTER_MS, DROPPED_MS, DROP_EVERY_MS = 45_000, 25_000, 300_000


@dataclass(frozen=True, slots=True)
class DemoConfig:
    """`speed` 2 brings twice as many visitors; without a seed one is drawn and said."""

    port: int = 8080
    speed: float = 1.0
    seed: int | None = None
    broker: str = "auto"


def run_demo(config: DemoConfig, say: Say, opened: Callable[[str], None]) -> int:
    """Run until told to end. `opened` is given the address once pages can be had."""
    seed = config.seed if config.seed is not None else secrets.randbits(16)
    with TemporaryDirectory(prefix="haunt-demo-") as folder:
        data = Path(folder)
        show = data / "show.toml"
        show.write_text(demo_show(datetime.now().astimezone()))
        settings = Config(
            data=data,
            listen_host="127.0.0.1",
            listen_port=config.port,
            mqtt_host="127.0.0.1",
            mqtt_port=0,
            broker=config.broker,
            database="",
            show=show,
        )
        say(f"haunt: a simulated garden, seed {seed}. Ctrl-C ends it; nothing is kept")
        company = Company(data, config.speed, seed)
        # No account is needed: whoever is at this machine is crew. Never beyond loopback.
        return run_server(settings, say, company=company, opened=opened, guest=Role.CREW)


def demo_show(now: datetime) -> str:
    """Return the garden with its evening under way: gentle first, quiet after twelve minutes."""
    raw = tomllib.loads((EXAMPLES / "garden.toml").read_text(encoding="utf-8"))
    raw.pop("night", None)
    zone = ZoneInfo(raw["show"]["time_zone"])
    local = now.astimezone(zone)

    def reading(minutes: int) -> str:
        return f"{local + timedelta(minutes=minutes):%H:%M}"

    raw["phase"] = [
        {
            "name": "gentle",
            "from": reading(-30),
            "to": reading(3),
            "max_intensity": 2,
            "max_flash_hz": 0,
        },
        {"name": "main", "from": reading(3), "to": reading(12)},
    ]
    raw["quiet"] = [{"from": reading(12), "to": reading(120), "max_level_dba": 75}]
    return show_to_toml(show_from_json(raw))


class Company:
    """The simulated side of the demo: boards, their packs, and the people."""

    def __init__(self, data: Path, speed: float, seed: int) -> None:
        self._data, self._speed, self._seed = data, speed, seed
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="company", daemon=True)
        self._clock = SystemClock(0)
        file = read_show((data / "show.toml").read_text(), "demo").show
        credentials = Credentials(data / "broker", file.info.id)
        self._passwords = {each.id: credentials.add(each.id) for each in file.boards}

    def start(self, host: str, port: int) -> None:
        """Called when the broker answers."""
        file = read_show((self._data / "show.toml").read_text(), "demo").show
        self._schedule = Schedule(self._clock.mono_ms(), self._clock.wall_ms())
        self._boards = {
            each.id: DemoBoard(
                _config(file, each.id, host, port, self._passwords[each.id]),
                Chance(self._seed, each.id),
                self._schedule,
                pack=each.battery,
            )
            for each in file.boards
        }
        traffic = Traffic(groups_per_hour=GROUPS_PER_HOUR * self._speed)
        path = path_of(file)
        visitors = Visitors(
            path, self._boards, traffic, self._schedule, Chance(self._seed, "visitors")
        )
        self._people_already_there(path)
        visitors.come()
        visitors.next_group()
        self._thread.start()

    def _people_already_there(self, path: list[Stop]) -> None:
        """The page is opened into an evening under way: groups stand all along the path."""
        for n, stop in enumerate(path):
            board, first_ms = self._boards[stop.board], FIRST_SEEN_MS + 350 * n
            for again_ms in (0, 2200):
                self._schedule.after(
                    first_ms + again_ms,
                    lambda b=board, s=stop.sensor: b.sense(s),  # type: ignore[misc]
                )

    def stop(self) -> None:
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        dropper = list(self._boards.values())[-1]
        drop_at = self._clock.mono_ms() + DROP_AFTER_MS
        while not self._ending.wait(POLL_S):
            now = self._clock.mono_ms()
            self._schedule.run_until(now)
            if now >= drop_at:
                drop_at = now + DROP_EVERY_MS
                dropper.lose_power(DROPPED_MS)
            for board in self._boards.values():
                board.poll(now)
        for board in self._boards.values():
            board.close(self._clock.mono_ms())


def _config(file: ShowFile, board: str, host: str, port: int, password: str) -> dict[str, Any]:
    found = config_of(file, board)
    found.update(host=host, port=port, username=board, password=password)
    for prop in found["props"].values():
        prop["outputs"] = {"lamp": {"pin": 5, "stop": "off"}}
        for behaviour in prop["behaviours"].values():
            behaviour["steps"] = [[0, "lamp", 1]]
    return found


class DemoBoard:
    """One whole board of the firmware, its pins scripted, its pack running down."""

    def __init__(
        self, config: dict[str, Any], chance: Chance, schedule: Schedule, pack: Battery | None
    ) -> None:
        modules = firmware()
        self._config = modules["config"].parse(json.dumps(config))
        self._schedule, self._pack = schedule, pack
        self._used = 0.5 * chance.share()
        self._reset = "soft"  # they have been on for a while: no sensor warms up
        self._began_ms = self._battery_at_ms = schedule.now_ms
        self._lit = 0
        self._off_until_ms = 0
        self._board: Any = None

    def poll(self, now_ms: int) -> None:
        if now_ms < self._off_until_ms:
            return
        if self._board is None:
            self._power_on(now_ms)
        if self._pack is not None and now_ms >= self._battery_at_ms:
            self._battery_at_ms = now_ms + 2000
            self._pins.command(f"battery {self._battery_mv(self._pack, now_ms)}")
        self._board.poll(now_ms)

    def sense(self, sensor: str, high_ms: int = 2000) -> None:
        """Somebody is in front of a sensor for a while."""
        if self._board is not None:
            self._pins.command(f"motion {sensor}")
            pins = self._pins
            self._schedule.after(high_ms, lambda: pins.command(f"clear {sensor}"))

    def lose_power(self, for_ms: int) -> None:
        """The plug is out: no goodbye, and outputs go dark by themselves."""
        if self._board is not None:
            self._link.close()
        self._board = None
        self._off_until_ms = self._schedule.now_ms + for_ms

    def close(self, now_ms: int) -> None:
        if self._board is not None:
            self._board.close(now_ms)

    def _power_on(self, now_ms: int) -> None:
        modules = firmware()
        self._pins = modules["board"].ScriptPins(self._config, self._log)
        self._link = modules["board"].Link()
        self._board = modules["loop"].Board(
            self._config,
            self._pins,
            self._link,
            modules["board"].Radio(None),
            os.urandom,
            now_ms,
            self._reset,
        )
        self._reset = "power-on"

    def _log(self, entry: dict[str, Any]) -> None:
        self._lit = max(0, self._lit + (1 if entry["level"] else -1))

    def _battery_mv(self, pack: Battery, now_ms: int) -> int:
        full, empty = CELL_MV.get(pack.chemistry, LITHIUM_MV)
        used = min(1.0, self._used + (now_ms - self._began_ms) / DRAINED_IN_MS)
        at_rest = (full - (full - empty) * used) * pack.series
        return round(at_rest * (1 - SAG_SHARE if self._lit else 1))
