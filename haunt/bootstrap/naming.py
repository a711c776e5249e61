"""A name on this network for the pages: answers multicast DNS (RFC 6762) for `NAME.local`.

It never takes a name that somebody else answers for, and never keeps a start waiting.
"""

import threading
from collections.abc import Callable, Iterator
from ipaddress import ip_address
from typing import Final, NamedTuple

import ifaddr
from zeroconf import InterfaceChoice, IPVersion, NonUniqueNameException, ServiceInfo, Zeroconf

from haunt.config import Config, is_loopback

OFF: Final = "off"
TRIES_MAX: Final = 9
ASK_MS: Final = 2500
"""Who has said a name within the last second may keep silent for another (RFC 6762, 6)."""
STOP_S: Final = 1.0
TTL_S: Final = 120

Say = Callable[[str], None]


class Announced(NamedTuple):
    """What is answered: `label`.local stands at these addresses, its pages at this port.

    `interfaces` are addresses of those to answer on; none: all.
    """

    label: str
    port: int
    addresses: tuple[str, ...]
    is_secure: bool = False
    interfaces: tuple[str, ...] = ()
    ask_ms: int = ASK_MS

    @property
    def kind(self) -> str:
        return "_https._tcp.local." if self.is_secure else "_http._tcp.local."


class Naming:
    """`host` is the name once it is ours, such as `haunt.local`; until then, and without, None."""

    def __init__(
        self, wanted: Announced, say: Say, took: Callable[[str], object] = lambda _host: None
    ) -> None:
        """`say` is told what came of it, `took` the name when it is ours: from another thread."""
        self._wanted, self._say, self._took = wanted, say, took
        self._thread = threading.Thread(target=self._run, name="naming", daemon=True)
        self._ending = threading.Event()
        self.host: str | None = None

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Say goodbye, so that nobody keeps a name that leads nowhere."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        try:
            found = Zeroconf(
                interfaces=list(self._wanted.interfaces) or InterfaceChoice.All,
                ip_version=IPVersion.All
                if any(":" in each for each in self._wanted.addresses)
                else IPVersion.V4Only,
            )
        except OSError as fault:
            self._say(f"haunt: no name on this network: {fault}. Use the address in digits")
            return
        try:
            self._take_name(found)
            self._ending.wait()
        finally:
            self.host = None
            found.close()  # takes the name back

    def _take_name(self, found: Zeroconf) -> None:
        for label in labels_of(self._wanted.label):
            host = f"{label}.local"
            if self._ending.is_set():
                return
            if self._answers(found, host) - set(self._wanted.addresses):
                continue
            try:
                found.register_service(self._service(label), ttl=TTL_S)
            except NonUniqueNameException:
                continue
            self.host = host
            self._took(host)
            also = (
                ""
                if label == self._wanted.label
                else f"; {self._wanted.label}.local is somebody else's"
            )
            self._say(f"haunt: also by the name {host} on this network{also}")
            return
        self._say(f"haunt: {self._wanted.label}.local and the next {TRIES_MAX - 1} names are taken")

    def _answers(self, found: Zeroconf, host: str) -> set[str]:
        """By which addresses somebody answers for a name."""
        label, kind = host.removesuffix(".local"), self._wanted.kind
        asked = ServiceInfo(kind, f"{label}.{kind}", server=f"{host}.")
        asked.request(found, self._wanted.ask_ms)
        return set(asked.parsed_addresses())

    def _service(self, label: str) -> ServiceInfo:
        return ServiceInfo(
            self._wanted.kind,
            f"{label}.{self._wanted.kind}",
            port=self._wanted.port,
            properties={"path": "/"},
            server=f"{label}.local.",
            parsed_addresses=list(self._wanted.addresses),
        )


def labels_of(label: str) -> Iterator[str]:
    yield label
    for number in range(2, TRIES_MAX + 1):
        yield f"{label}-{number}"


def hosts_of(config: Config) -> frozenset[str]:
    """Names under which a browser may come because we may answer for them."""
    if not is_wanted(config):
        return frozenset()
    return frozenset(f"{each}.local" for each in labels_of(config.mdns))


def is_wanted(config: Config) -> bool:
    return config.mdns != OFF and not is_loopback(config.listen_host)


def addresses_of(listen_host: str) -> list[str]:
    """Where the pages can be had: the address that was named, else every one of this machine."""
    try:
        named = ip_address(listen_host)
    except ValueError:
        return []
    if not named.is_unspecified:
        return [listen_host]
    found = []
    for adapter in ifaddr.get_adapters():
        for each in adapter.ips:
            text = each.ip if isinstance(each.ip, str) else each.ip[0]
            address = ip_address(text.partition("%")[0])
            if address.version == named.version and not address.is_loopback:
                found.append(str(address))
    return found
