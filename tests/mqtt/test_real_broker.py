"""Goal: a crashed controller loses and doubles nothing, a dead link is noticed, TLS works.

Method: a real Mosquitto with its sessions on disk; the client in a process of its own where it is
killed. The test waits for what is delivered, with the settings of a night.
"""

import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from haunt.mqtt.client import Account, Pace
from tests.fakes.mqtt_line import Inbox
from tests.mqtt.rig import PING, ROOT, Mosquitto, Peer, account, running, until

pytestmark = pytest.mark.system

MOTION = f"{ROOT}/gate/motion"
TREE = Path(__file__).resolve().parents[2]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as found:
        yield found


def test_what_was_not_acknowledged_before_a_crash_comes_again_and_only_that(
    broker: Mosquitto,
) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.mqtt.crashing", str(broker.port)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=TREE,
    )
    assert process.stdout is not None
    try:
        with Peer(broker.port, "gate") as board:
            # It pings itself once its subscriptions are confirmed.
            board.subscribe(PING, 0)
            board.wait_for_topic(PING)
            for word in ("one keep", "two", "three keep", "four"):
                board.publish(MOTION, word.encode())
                assert process.stdout.readline() == f"{word}\n"
            process.kill()
            process.wait()
            board.publish(MOTION, b"meanwhile")
            inbox = Inbox()
            with running(account(broker.port), inbox.deliver):
                came = [inbox.arrival().payload for _ in range(3)]
                board.publish(MOTION, b"last")
                came.append(inbox.arrival().payload)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    assert came == [b"two", b"four", b"meanwhile", b"last"]


def test_with_its_own_pace_a_dead_link_is_noticed_within_ten_seconds(broker: Mosquitto) -> None:
    """The settings of a night: asked every 2 s, given up after 6 s."""
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver, pace=Pace()):
        up = inbox.next()
        broker.freeze()
        down = inbox.next()
        broker.thaw()
    assert down.mono_ms - up.mono_ms <= 30_000  # 10 s promised, thrice that for a slow machine


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One file with a key and the certificate that it signed itself, for 127.0.0.1."""
    folder = tmp_path_factory.mktemp("certificate")
    key, found = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"),
            *("-keyout", key, "-out", found),
        ],
        check=True,
        capture_output=True,
    )
    return found


@pytest.fixture
def encrypted(tmp_path: Path, certificate: Path) -> Iterator[Mosquitto]:
    key = certificate.with_name("key.pem")
    with Mosquitto(tmp_path, f"certfile {certificate}\nkeyfile {key}\n") as found:
        yield found


def test_messages_cross_an_encrypted_link_both_ways_at_once(
    encrypted: Mosquitto, certificate: Path
) -> None:
    """One thread writes while the pump reads the same connection."""
    known = ssl.create_default_context(cafile=str(certificate))
    who = Account("127.0.0.1", encrypted.port, client_id="yard-controller", tls=known)
    inbox, count, own = Inbox(), 300, f"{ROOT}/gate/cue"
    with running(who, inbox.deliver, wanted=[(own, 1)]) as client:
        assert inbox.state()
        sent = [client.publish(own, b"%d" % n, qos=1, retain=False) for n in range(count)]
        came = []
        for _ in range(count):
            arrival = inbox.arrival()
            assert arrival.receipt is not None
            client.acknowledge(arrival.receipt)
            came.append(arrival.payload)
    assert all(sent)
    assert came == [b"%d" % n for n in range(count)]


# paho leaves the socket of a failed handshake to the garbage collector, which complains.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_that_nobody_vouches_for_is_refused(encrypted: Mosquitto) -> None:
    strict = ssl.create_default_context()
    who = Account("127.0.0.1", encrypted.port, client_id="yard-controller", tls=strict)
    with running(who, Inbox().deliver) as client:
        until(lambda: "CERTIFICATE_VERIFY_FAILED" in client.statistics().last_error)
        assert client.statistics().connections == 0
