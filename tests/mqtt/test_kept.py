"""Goal: the kept broker starts, is adopted, comes back, and says in words why it cannot.

Method: real Mosquitto processes on free ports.
"""

import os
import resource
import signal
import socket
import stat

import pytest

from haunt.mqtt.listening import BrokerFailed
from tests.mqtt.stage import HOST, MOSQUITTO, TOPICS, Garden, Heard, free_port, until

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


def test_it_starts_on_a_free_port_and_the_controller_gets_in(idle: Garden) -> None:
    kept = idle.start()

    assert kept.port != 0
    assert kept.pid is not None
    heard = Heard()
    idle.connected(heard)


def test_it_starts_on_the_port_it_was_told(idle: Garden) -> None:
    port = free_port()

    assert idle.start(port).port == port


def test_the_running_one_is_adopted_with_its_sessions(garden: Garden) -> None:
    first = garden.kept
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))

    second = garden.start()

    assert (second.pid, second.port) == (first.pid, first.port)
    heard = Heard()
    client = garden.connected(heard)
    assert client.publish(TOPICS.cue("b1"), b"still here", qos=1, retain=False)
    assert board.next() == (TOPICS.cue("b1"), b"still here")


def test_an_adopted_broker_is_ended_by_its_new_keeper(garden: Garden) -> None:
    first = garden.kept
    first.stop(leave_running=True)
    second = garden.start()
    pid = second.pid
    assert pid is not None

    second.stop()

    # As its parent we see it as a zombie until it is awaited; it listens no more either way.
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((HOST, second.port), 1)


def test_an_ended_broker_is_not_adopted(garden: Garden) -> None:
    pid = garden.kept.pid
    garden.kept.stop()

    assert garden.start().pid != pid


def test_a_taken_port_is_refused_in_words(idle: Garden) -> None:
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        port = other.getsockname()[1]

        with pytest.raises(BrokerFailed, match=rf"{HOST}:{port}.*in use.*choose another port"):
            idle.start(port)


def test_a_broker_that_dies_is_started_again_on_its_port(garden: Garden) -> None:
    port, pid = garden.kept.port, garden.kept.pid

    garden.signal(signal.SIGKILL)

    until(lambda: garden.kept.restarts == 1, "the broker to be started again")
    assert garden.kept.port == port
    assert garden.kept.pid != pid
    assert garden.board("b1").is_welcome


@pytest.mark.parametrize("spoil", ["cut", "rubbish", "zeroed", "empty"])
def test_sessions_that_cannot_be_read_are_set_aside_and_the_broker_starts(
    garden: Garden, spoil: str
) -> None:
    garden.board("b1").publish(TOPICS.presence("b1"), b"here")
    garden.signal(signal.SIGUSR1)
    sessions = garden.folder / "mosquitto.db"
    until(sessions.exists, "the broker to write its sessions")
    garden.kept.stop()
    raw = sessions.read_bytes()
    spoilt = {"cut": raw[:-7], "rubbish": b"rubbish" * 99, "zeroed": bytes(len(raw)), "empty": b""}
    sessions.write_bytes(spoilt[spoil])

    kept = garden.start()

    assert garden.board("b1").is_welcome
    if spoil != "empty":  # which Mosquitto takes for none
        assert sessions.with_name("mosquitto.db.damaged").read_bytes() == spoilt[spoil]
        assert "without its sessions" in kept.last_fault


def test_sessions_are_left_alone_where_something_else_stands_in_the_way(idle: Garden) -> None:
    sessions = idle.folder / "mosquitto.db"
    idle.folder.mkdir()
    sessions.write_bytes(b"kept")
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        with pytest.raises(BrokerFailed, match="in use"):
            idle.start(other.getsockname()[1])

    assert sessions.read_bytes() == b"kept"


def test_a_thousand_silent_strangers_do_not_use_up_its_files(idle: Garden) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(soft, 1024), hard))  # as most systems have it
    try:
        kept = idle.start()
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))

    assert kept.pid is not None
    assert resource.prlimit(kept.pid, resource.RLIMIT_NOFILE) == (hard, hard)


def test_every_file_is_readable_by_its_owner_only(garden: Garden) -> None:
    board = garden.board("b1")
    board.publish(TOPICS.presence("b1"), b"here")
    garden.signal(signal.SIGUSR1)  # write the sessions now
    store = garden.folder / "mosquitto.db"
    until(store.exists, "the broker to write its sessions")
    garden.kept.stop()

    files = {each.name: stat.S_IMODE(each.stat().st_mode) for each in garden.folder.iterdir()}

    assert {"passwords", "acl", "credentials.json", "mosquitto.conf", "mosquitto.db"} < set(files)
    secret = {name: oct(mode) for name, mode in files.items() if name not in ("pid", "port")}
    assert set(secret.values()) == {oct(0o600)}, secret
    assert stat.S_IMODE(garden.folder.stat().st_mode) == 0o700
    assert os.umask(0o022) == 0o022
