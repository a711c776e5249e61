"""Machines of their own for servers: a network namespace each, with one wire to this machine.

Whatever is cut is cut in the kernel. Only `ip` is needed: a packet is lost without a word where its
frame is addressed to a card that nobody has.
"""

import ctypes
import json
import os
import shutil
import signal
import subprocess
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple, Self

UNPLUGGED: Final = "unplugged at its own end"
FAR_END: Final = "unplugged at the far end"
SILENCE: Final = "cut off in silence"
UNHEARD: Final = "not heard any more"
DEAF: Final = "without a single answer"
NO_DATABASE: Final = "cut off from the database alone"
NO_BROKER: Final = "cut off from the broker alone"
SPACE_CUTS: Final = (SILENCE, UNPLUGGED, FAR_END, UNHEARD, DEAF, NO_DATABASE, NO_BROKER)
NAME: Final = "hauntsoak"
NOBODY: Final = "02:00:5e:00:53:01"
"""A card that nobody has: locally administered, as RFC 7042 says, section 2.1."""
NETS: Final = 16_384
"""Networks of eight addresses in 198.18.0.0/15, which RFC 2544 keeps for trials like this."""


class Net(NamedTuple):
    """Addresses of one wire: the server's own, and two of this machine's at its other end."""

    own: str
    database: str
    broker: str


def why_not() -> str:
    """Say why servers cannot have namespaces here; empty where they can."""
    if os.geteuid() != 0:
        return "only root may make network namespaces"
    if shutil.which("ip") is None:
        return "the command ip is missing: apt-get install iproute2"
    try:
        with Space("try", 0):
            return ""
    except SpaceError as refused:
        return str(refused)


class SpaceError(Exception):
    """The kernel, or who runs this machine, does not let us."""


class Space:
    """Satisfies `ways.Way`. `slot` tells those of one run apart."""

    def __init__(self, name: str, slot: int) -> None:
        pid = os.getpid()
        self.name = f"{NAME}-{pid}-{name}"
        self.link = f"hs{pid % 10_000_000}.{slot}"  # 15 letters at most
        self.net = net_of((2 * pid + slot) % NETS)
        self.own, self.space = self.net.own, self.name
        self.before = ["ip", "netns", "exec", self.name]
        self._cards: dict[str, str] = {}
        self._ending = ExitStack()

    def __enter__(self) -> Self:
        sweep()
        with ExitStack() as ending:
            ending.callback(_away, "netns", "del", self.name)
            ending.callback(_away, "link", "del", self.link)
            ending.callback(_empty, self.name)
            self._make()
            self._ending = ending.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    def _make(self) -> None:
        net = self.net
        taken = {each["local"] for card in _shown("addr", "show") for each in card["addr_info"]}
        if taken & {*net}:
            raise SpaceError(f"{net} are in use here")
        _ip("netns", "add", self.name)
        peer = ["peer", "name", "wire", "netns", self.name]
        _ip("link", "add", self.link, "type", "veth", *peer)
        for each in (net.database, net.broker):
            _ip("addr", "add", f"{each}/29", "dev", self.link)
        _ip("link", "set", self.link, "up")
        self._inside("addr", "add", f"{net.own}/29", "dev", "wire")
        for each in ("lo", "wire"):
            self._inside("link", "set", each, "up")
        [theirs] = _shown("link", "show", "dev", self.link)
        [ours] = _shown("-n", self.name, "link", "show", "dev", "wire")
        self._cards = {"host": theirs["address"], "own": ours["address"]}

    def database(self, port: int) -> str:
        return f"{self.net.database}:{port}"

    def broker(self, port: int) -> str:
        return f"{self.net.broker}:{port}"

    def cut(self, kind: str) -> None:
        net = self.net
        if kind == UNPLUGGED:
            self._inside("link", "set", "wire", "down")
        elif kind == FAR_END:
            _ip("link", "set", self.link, "down")
        if kind in {SILENCE, UNHEARD, NO_DATABASE}:
            self._send(net.database, NOBODY)
        if kind in {SILENCE, UNHEARD, NO_BROKER}:
            self._send(net.broker, NOBODY)
        if kind in {SILENCE, DEAF}:
            self._answer(NOBODY)

    def mend(self) -> None:
        self._inside("link", "set", "wire", "up")
        _ip("link", "set", self.link, "up")
        for each in (self.net.database, self.net.broker):
            self._send(each, self._cards["host"])
        self._answer(self._cards["own"])

    def _send(self, to: str, card: str) -> None:
        self._inside("neigh", "replace", to, "lladdr", card, "dev", "wire", "nud", "permanent")

    def _answer(self, card: str) -> None:
        _ip("neigh", "replace", self.own, "lladdr", card, "dev", self.link, "nud", "permanent")

    def _inside(self, *words: str) -> None:
        _ip("-n", self.name, *words)


def net_of(number: int) -> Net:
    first = (198 << 24) + (18 << 16) + 8 * number
    told = [
        ".".join(str((first + at) >> shift & 255) for shift in (24, 16, 8, 0)) for at in (2, 1, 3)
    ]
    return Net(*told)


def enter(name: str) -> None:
    """Be in this namespace from here on: for a process of one thread."""
    with Path("/run/netns", name).open() as found:
        if ctypes.CDLL(None, use_errno=True).setns(found.fileno(), 0):
            raise SpaceError(f"{name}: {os.strerror(ctypes.get_errno())}")


def sweep() -> None:
    """Take away what runs left that were killed and could not do it themselves."""
    for name in names():
        pid = name.removeprefix(f"{NAME}-").partition("-")[0]
        if name.startswith(f"{NAME}-") and not Path("/proc", pid).exists():
            _empty(name)
            _away("netns", "del", name)  # and its wire with it


def _empty(name: str) -> None:
    """A namespace lives on as long as somebody is in it."""
    with suppress(SpaceError):
        for pid in _ip("netns", "pids", name).split():
            with suppress(ProcessLookupError):
                os.kill(int(pid), signal.SIGKILL)


def names() -> list[str]:
    return [each["name"] for each in _shown("netns", "list")]


def links() -> list[str]:
    return [each["ifname"] for each in _shown("link", "show")]


def _shown(*words: str) -> list[Any]:
    return list(json.loads(_ip("-j", *words) or "[]"))


def _ip(*words: str) -> str:
    done = subprocess.run(["ip", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SpaceError(f"ip {' '.join(words)}: {done.stderr.strip()}")
    return done.stdout


def _away(*words: str) -> None:
    """What is not there, or not any more, is away."""
    with suppress(SpaceError):
        _ip(*words)
