"""Who listens at an address: whether a port can be had, and whether a broker answers there.

It opens sockets for a moment and keeps none.
"""

import socket
import ssl
import time
from contextlib import ExitStack

POLL_S = 0.005
START_S = 5.0
LET_GO_S = 1.0
LOOPBACK = "127.0.0.1"
EVERYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - looked up, not bound

# CONNECT without a name, and how any answer to it begins: the kept broker refuses it, and lives.
_KNOCK = b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x0a\x00\x00"
_CONNACK = b"\x20\x02"


class BrokerFailed(Exception):  # noqa: N818 - the word says what happened
    """The kept broker would not start: its own last words."""


def family_of(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


def wait_until_free(host: str, port: int) -> None:
    """Give a broker that was just ended a moment to let go of its port. Raises BrokerFailed."""
    until = time.monotonic() + LET_GO_S
    while not is_free(host, port) and time.monotonic() < until:
        time.sleep(POLL_S)
    refuse_taken(host, port)


def is_free(host: str, port: int) -> bool:
    try:
        refuse_taken(host, port)
    except BrokerFailed:
        return False
    return True


def free_port(host: str) -> int:
    with socket.socket(family_of(host)) as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
        return port


def refuse_taken(host: str, port: int) -> None:
    """Say so before the start: whoever has the port would answer in our broker's place."""
    with socket.socket(family_of(host)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as fault:
            raise BrokerFailed(
                f"mosquitto cannot listen on {host}:{port}: {fault.strerror}; "
                "end what listens there, or choose another port with --mqtt HOST:PORT"
            ) from fault


def speaks(host: str, port: int, patience_s: float, tls: ssl.SSLContext | None = None) -> bool:
    """Ask for an answer in MQTT: the system accepts connections for a broker that hangs."""
    try:
        with ExitStack() as ending:
            at = EVERYWHERE.get(host, host), port
            line = ending.enter_context(socket.create_connection(at, patience_s))
            if tls is not None:
                line = ending.enter_context(tls.wrap_socket(line, server_hostname=host))
            line.sendall(_KNOCK)
            return line.recv(4).startswith(_CONNACK)
    except OSError:
        return False


def answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((EVERYWHERE.get(host, host), port), 0.5):
            return True
    except OSError:
        return False
