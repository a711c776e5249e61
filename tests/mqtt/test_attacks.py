"""Goal: whatever a board tries with its credential, it reaches its own topics and disturbs nobody.

Method: a table of attack, expected, seen, on the kept Mosquitto with the files we write. Packets
are made by hand; a spy that may read everything tells what the broker handed on. The expected side
is a model of the contract's lists. `python -m tests.soak attacks` draws more and prints the table.
"""

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import topic_matches_sub

from haunt.mqtt.credentials import Credentials
from haunt.mqtt.loopback import LibraryBroker
from tests.mqtt import attacks, raw
from tests.mqtt.attacks import WRITES, filters_to_try, may_write, topics_to_try
from tests.mqtt.raw import RawClient, Will, connect, packet, publish
from tests.mqtt.stage import MOSQUITTO, TOPICS, Garden, free_port
from tests.outside.registry import outside

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


@pytest.fixture
def spy(garden: Garden) -> Iterator[RawClient]:
    with attacks.let_in_a_spy(garden) as found:
        yield found


def test_the_model_of_filters_is_that_of_a_client_library() -> None:
    """Shared subscriptions are left out: a plain client knows nothing of them."""
    topics = [each for each in topics_to_try() if attacks.is_topic(each)]
    filters = [each for each in filters_to_try() if is_filter(each)]
    for wanted in filters:
        by_paho = {topic for topic in topics if topic_matches_sub(wanted.decode(), topic.decode())}
        by_us = {topic for topic in topics if attacks.matches(wanted, topic)}
        outside("mqtt/model").agrees(wrong=len(by_paho ^ by_us), cases=len(topics))
    assert len(filters) > 100


def is_filter(raw: bytes) -> bool:
    try:
        words = raw.decode()
    except UnicodeDecodeError:
        return False
    return bool(words) and not words.startswith("$share/") and "\0" not in words


def bad_rows(seen: list[attacks.Seen]) -> list[str]:
    return [each.row() for each in seen if not each.good]


@pytest.mark.parametrize("verb", WRITES)
def test_a_board_writes_its_four_topics_and_nothing_else(
    garden: Garden, spy: RawClient, verb: str
) -> None:
    seen = list(attacks.try_writes(garden, spy, [verb], topics_to_try()))

    assert bad_rows(seen) == []
    assert sum(each.expected for each in seen if each.verb == verb) == 4
    assert len(seen) > 100


def test_what_was_refused_is_not_retained_for_later(garden: Garden, spy: RawClient) -> None:
    for _each in attacks.try_writes(garden, spy, ["publish retained"], topics_to_try()):
        pass
    with RawClient(garden.kept.port) as late:
        late.sign_in(connect(b"spy", attacks.SPY_PASSWORD.encode(), b"late"))
        late.send(raw.subscribe(b"haunt/#"))
        kept = {each.topic for each in late.heard()}

    assert kept == {each for each in topics_to_try() if may_write("b2", each)}


def test_a_board_reads_its_own_words_and_everybodys_and_nothing_else(
    garden: Garden, spy: RawClient
) -> None:
    for topic in topics_to_try():  # kept ones too, which come at the subscription itself
        if attacks.is_topic(topic) and not topic.startswith(b"$"):
            spy.send(publish(topic, b"kept", qos=0, retain=True))
    spy.heard()

    seen = list(attacks.try_reads(garden, spy, filters_to_try(), topics_to_try()))

    assert bad_rows(seen) == []
    assert sum(each.expected for each in seen) > 50
    assert len(seen) > 5000
    outside("mqtt/filters").agrees(cases=len(seen))


def test_the_table_would_show_a_broker_that_lets_everything_through(garden: Garden) -> None:
    acl = garden.folder / "acl"
    acl.write_text(f"pattern readwrite #\n{acl.read_text()}")
    with attacks.let_in_a_spy(garden) as spy:
        wrote = list(attacks.try_writes(garden, spy, WRITES, [b"haunt/garden/b1/motion"]))
        read = list(attacks.try_reads(garden, spy, [b"#"], [b"haunt/garden/b1/cue"]))

    assert len([each for each in wrote if not each.good]) == len(WRITES)
    assert [each.topic for each in read if each.verb == "read by #" and not each.good]


NAMES = {
    "own": ("b2", "own", "b2", 0),
    "own name, another's client id": ("b2", "own", "b1", 0),
    "own name, no client id": ("b2", "own", "", 0),
    "another's name": ("b1", "own", "b1", 5),
    "another's name, own client id": ("b1", "own", "b2", 5),
    "the controller's name": ("garden-controller", "own", "garden-controller", 5),
    "no name": (None, None, "b1", 5),
    "empty name": ("", "own", "b1", 5),
    "no password": ("b1", None, "b1", 5),
    "empty password": ("b1", "", "b1", 5),
    "hash for a password": ("b1", "hash", "b1", 5),
    "a wildcard": ("+", "own", "+", 5),
    "all": ("all", "own", "all", 5),
    "a path": ("b2/../b1", "own", "b1", 5),
    "two lines": ("b2\nuser b1", "own", "b1", 5),
    "capitals": ("B2", "own", "b2", 5),
    "a colon": ("b2:x", "own", "b2", 5),
}


@pytest.mark.parametrize("what", NAMES)
def test_no_name_is_had_but_by_its_own_password(garden: Garden, what: str) -> None:
    name, word, client_id, code = NAMES[what]
    hashes = dict(
        line.split(":", 1) for line in (garden.folder / "passwords").read_text().splitlines()
    )
    words = {"own": garden.passwords["b2"], "hash": hashes["b1"], "": "", None: None}
    password = words[word]
    victim = attacks.signed_in(garden, "b1")
    assert victim is not None

    with RawClient(garden.kept.port) as client:
        found = client.sign_in(
            connect(
                name.encode() if name is not None else None,
                password.encode() if password is not None else None,
                client_id.encode(),
            )
        )

    assert found in ({code} if code == 0 else {code, 4, None})
    assert victim.is_open()
    victim.close()


@pytest.mark.parametrize("name", ["b1:x\nroot", "+", "#", "a/b", "%u", "all", "controller", "B1"])
def test_a_name_that_would_reach_further_gets_no_credential(garden: Garden, name: str) -> None:
    before = (garden.folder / "acl").read_text()
    with pytest.raises(Exception, match="allowed: 1 to 32"):
        garden.credentials.add(name)
    assert (garden.folder / "acl").read_text() == before


def test_impostors_cost_a_board_no_message_and_no_connection(
    garden: Garden, spy: RawClient
) -> None:
    cue = TOPICS.cue("b1").encode()
    victim = attacks.signed_in(garden, "b1")
    assert victim is not None
    with victim:
        victim.send(raw.subscribe(cue))
        victim.heard()
        for number in range(60):
            password = garden.passwords["b2"] if number % 2 else "guess"
            name = b"b2" if number % 2 else b"b1"
            with RawClient(garden.kept.port) as impostor:
                code = impostor.sign_in(
                    connect(name, password.encode(), b"b1", will=Will(cue), clean=number % 3 > 0)
                )
                assert code == (0 if number % 2 else 5)
                if number % 4 == 3:
                    impostor.vanish()
            spy.send(publish(cue, b"%d" % number))
        spy.heard()

        assert [each.payload for each in victim.heard()] == [b"%d" % n for n in range(60)]


def test_a_hundred_silent_strangers_keep_no_board_out(garden: Garden) -> None:
    strangers = [RawClient(garden.kept.port) for _ in range(100)]
    for each in strangers[::2]:
        each.send(b"\x10")  # as if a CONNECT were to come
    began = time.monotonic()
    board = attacks.signed_in(garden, "b1")
    took_s = time.monotonic() - began

    assert board is not None
    assert board.is_open()
    assert took_s < 0.5
    for each in (*strangers, board):
        each.close()


def test_a_packet_that_claims_to_be_huge_is_cut_off_at_once(garden: Garden) -> None:
    before = resident_kb(garden)
    for signed in (False, True):
        client = attacks.signed_in(garden, "b2") if signed else RawClient(garden.kept.port)
        assert client is not None
        with client, pytest.raises(OSError, match=r"reset|Broken"):
            _push(client, packet(0x30 if signed else 0x10, b"", claim=268_435_455))

    assert resident_kb(garden) - before < 10_000


def _push(client: RawClient, head: bytes) -> None:
    """Send a hundred megabytes, as far as the broker lets us."""
    client.send(head)
    for _ in range(1000):
        client.send(b"\0" * 100_000)


def resident_kb(garden: Garden) -> int:
    status = Path(f"/proc/{garden.kept.pid}/status").read_text()
    [line] = [each for each in status.splitlines() if each.startswith("VmRSS")]
    return int(line.split()[1])


# --- the broker that comes along


def test_the_library_broker_listens_on_loopback_alone(tmp_path: Path) -> None:
    broker = LibraryBroker(Credentials(tmp_path / "broker", "garden"), 0).start()
    try:
        assert listening_on(broker.port) == {"127.0.0.1"}
    finally:
        broker.stop()


def listening_on(port: int) -> set[str]:
    """Return the addresses that the kernel says are listened on (state 0A)."""
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            _slot, local, _remote, state = line.split()[:4]
            address, _, hexadecimal = local.partition(":")
            if state == "0A" and int(hexadecimal, 16) == port:
                v4 = bytes.fromhex(address)[::-1] if len(address) == 8 else b""
                found.add(socket.inet_ntoa(v4) if v4 else address)
    return found


def test_no_setting_opens_the_library_broker_to_a_network(tmp_path: Path) -> None:
    ports = {host: free_port() for host in ("0.0.0.0", "192.0.2.1")}
    tried = [
        subprocess.Popen(
            [
                *(sys.executable, "-m", "haunt", "serve", "--broker", "library"),
                *("--data", tmp_path / host, "--listen", "127.0.0.1:0"),
                *("--show", "haunt/examples/first-night.toml", "--mqtt", f"{host}:{port}"),
            ],
            stderr=subprocess.PIPE,
            text=True,
        )
        for host, port in ports.items()
    ]
    said = [each.communicate(timeout=60)[1] for each in tried]

    assert all(each.returncode for each in tried)
    assert all("never opened to a network" in each for each in said)
    assert all(listening_on(port) == set() for port in ports.values())
