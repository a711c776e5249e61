"""Goal: beyond loopback the pages answer to a name of their own, never to somebody else's.

Method: real multicast DNS on the loopback interface, asked by a second responder. That two of us
find each other there takes longer: `python -m tests.bootstrap.namesakes`.
"""

from dataclasses import replace
from pathlib import Path
from queue import Queue

import pytest
from zeroconf import ServiceInfo, Zeroconf

from haunt.bootstrap.front import Front
from haunt.bootstrap.naming import Announced, Naming, addresses_of, hosts_of, labels_of
from haunt.bootstrap.offline import open_store
from haunt.bootstrap.press import PrintRoom, url_by_name
from haunt.config import Config, SettingRefused, read_config
from haunt.site.paper.ports import Wifi
from haunt.store.reader import Reader
from haunt.store.writer import Writer

HERE = ("127.0.0.1",)
KIND = "_http._tcp.local."


def config(listen: str, **more: str) -> Config:
    return read_config(Path("data"), {"listen": listen, **more}, {})


def asked(zeroconf: Zeroconf, label: str) -> ServiceInfo:
    found = ServiceInfo(KIND, f"{label}.{KIND}", server=f"{label}.local.")
    found.request(zeroconf, 3000)
    return found


class Crowded(Naming):
    """Knows a network on which the first name is somebody else's."""

    def _answers(self, found: Zeroconf, host: str) -> set[str]:
        return {"192.0.2.9"} if host == "haunt-here.local" else super()._answers(found, host)


def test_a_name_is_answered_and_one_that_is_taken_is_left_to_its_owner() -> None:
    said: Queue[str] = Queue()
    took: list[str] = []
    wanted = Announced("haunt-here", 8080, HERE, interfaces=HERE, ask_ms=100)
    naming = Crowded(wanted, said.put, took.append)
    naming.start()
    other = Zeroconf(interfaces=list(HERE))
    try:
        line = said.get(timeout=10)
        assert naming.host == "haunt-here-2.local"
        assert took == ["haunt-here-2.local"]
        assert "also by the name haunt-here-2.local" in line
        assert "haunt-here.local is somebody else's" in line
        found = asked(other, "haunt-here-2")
        assert (found.parsed_addresses(), found.port) == (list(HERE), 8080)
    finally:
        naming.stop()
        other.close()
    assert naming.host is None


def test_an_end_in_the_middle_of_asking_is_no_name() -> None:
    naming = Naming(Announced("haunt-brief", 1, HERE, interfaces=HERE, ask_ms=400), print)
    naming.start()
    naming.stop()
    assert naming.host is None


@pytest.mark.parametrize("listen", ["127.0.0.1:8080", "localhost:8080", "[::1]:8080"])
def test_on_loopback_no_name_is_announced(listen: str) -> None:
    assert hosts_of(config(listen)) == frozenset()


def test_beyond_loopback_every_name_that_may_become_ours_may_be_used_by_browsers() -> None:
    assert hosts_of(config("0.0.0.0:8080")) == {f"{each}.local" for each in labels_of("haunt")}
    assert "garden-9.local" in hosts_of(config("192.0.2.7:80", mdns="garden"))
    assert hosts_of(config("0.0.0.0:8080", mdns="off")) == frozenset()


def test_the_port_of_the_pages_lets_those_names_in() -> None:
    front = Front(config("0.0.0.0:0", mdns="garden", tls="off"))
    try:
        assert "garden.local" in front.hosts
    finally:
        front.close()


@pytest.mark.parametrize(
    ("given", "meant"), [("Garden.local", "garden"), ("off", "off"), ("haunt-2", "haunt-2")]
)
def test_a_name_may_be_given_with_or_without_its_ending(given: str, meant: str) -> None:
    assert config("0.0.0.0:80", mdns=given).mdns == meant


@pytest.mark.parametrize("bad", ["", "two words", "a.b", "-x", "x" * 61, "ümlaut"])
def test_what_is_no_name_is_refused(bad: str) -> None:
    with pytest.raises(SettingRefused, match="mdns"):
        config("0.0.0.0:80", mdns=bad)


def test_a_name_that_the_certificate_does_not_vouch_for_is_not_printed() -> None:
    url = "https://192.0.2.7:8080"
    assert url_by_name(url, "haunt.local", ("haunt.local",)) == "https://haunt.local:8080"
    assert url_by_name(url, "haunt.local", ("garden.lan",)) == url
    assert url_by_name("http://192.0.2.7:8080", None, None) == "http://192.0.2.7:8080"
    assert url_by_name("http://192.0.2.7:80", "haunt.local", None) == "http://haunt.local:80"


def test_a_network_is_kept_in_the_data_folder_until_it_is_forgotten(tmp_path: Path) -> None:
    writing, reading = open_store(replace(config("127.0.0.1:0"), data=tmp_path))
    room = PrintRoom(lambda: "http://127.0.0.1:8080", Reader(reading), Writer(writing))
    assert room.wifi() is None
    room.keep_wifi(Wifi("Gärten", "seven lamps"))
    assert room.wifi() == Wifi("Gärten", "seven lamps")
    room.keep_wifi(None)
    assert room.wifi() is None
    assert room.address() == "http://127.0.0.1:8080"
    writing.dispose()
    reading.dispose()


def test_an_address_that_was_named_is_the_only_one_announced() -> None:
    assert addresses_of("192.0.2.7") == ["192.0.2.7"]
    assert "127.0.0.1" not in addresses_of("0.0.0.0")
    assert all(":" not in each for each in addresses_of("0.0.0.0"))
    assert addresses_of("garden.lan") == []
