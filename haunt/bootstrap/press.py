"""Addresses and networks for what is printed, joined to the name that is announced."""

import json
from collections.abc import Callable
from contextlib import ExitStack
from typing import Final
from urllib.parse import urlsplit

from haunt.bootstrap.front import Front
from haunt.bootstrap.naming import Announced, Naming, addresses_of, is_wanted
from haunt.config import Config
from haunt.site.paper.ports import Wifi
from haunt.store.reader import Reader
from haunt.store.writer import Writer

NAMED: Final = "named-address"
WIFI: Final = "join-card-wifi"

Say = Callable[[str], None]


class PrintRoom:
    """Satisfies `site.paper.ports.Press`."""

    def __init__(self, address: Callable[[], str], reader: Reader, writer: Writer) -> None:
        self._address, self._reader, self._writer = address, reader, writer

    def address(self) -> str:
        return self._address()

    def wifi(self) -> Wifi | None:
        kept = json.loads(self._reader.setting(WIFI) or "null")
        return Wifi(*kept) if kept else None

    def keep_wifi(self, wifi: Wifi | None) -> None:
        self._writer.save_setting(WIFI, json.dumps(wifi))


def press_of(
    config: Config, front: Front, reader: Reader, writer: Writer, say: Say, ending: ExitStack
) -> PrintRoom:
    """Begin to answer for the name, where one is wanted, until the end."""
    writer.keep_if_possible(NAMED, "")
    if not is_wanted(config):
        return PrintRoom(lambda: front.url, reader, writer)
    vouched = None if front.certificate is None else front.certificate.names
    addresses = tuple(addresses_of(config.listen_host))
    naming = Naming(
        Announced(config.mdns, urlsplit(front.url).port or 0, addresses, vouched is not None),
        say,
        lambda host: writer.keep_if_possible(NAMED, url_by_name(front.url, host, vouched)),
    )
    naming.start()
    ending.callback(naming.stop)
    return PrintRoom(lambda: url_by_name(front.url, naming.host, vouched), reader, writer)


def url_by_name(url: str, host: str | None, vouched: tuple[str, ...] | None) -> str:
    """The same pages by a name, unless there is none or a certificate would contradict it."""
    if host is None or (vouched is not None and host not in vouched):
        return url
    parts = urlsplit(url)
    return f"{parts.scheme}://{host}:{parts.port}"
