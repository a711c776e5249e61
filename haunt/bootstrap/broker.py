"""The broker a server joins: a Mosquitto of its own, the small library one, or a foreign one."""

import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import assert_never
from urllib.parse import unquote, urlsplit

from haunt.bootstrap.refusal import StartRefused
from haunt.config import Config, is_loopback
from haunt.mqtt.client import Account
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import KeptBroker, mosquitto
from haunt.mqtt.loopback import LibraryBroker
from haunt.wire.topics import Topics

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Joined:
    account: Account
    subscriptions: Sequence[tuple[str, int]]
    kept: KeptBroker | LibraryBroker | None


def join_broker(config: Config, show: str, say: Say) -> Joined:
    wanted = [(each.topic, each.qos) for each in Topics(show).controller_subscriptions()]
    if config.has_foreign_broker:
        return Joined(_controller_account(config, show), wanted, None)
    credentials = Credentials(config.data / "broker", show)
    binary = mosquitto() if config.broker == "auto" else None
    kept: KeptBroker | LibraryBroker
    if binary is not None:
        kept = KeptBroker(binary, credentials, config.mqtt_host, config.mqtt_port).start()
        say(f"haunt: broker on {kept.host}:{kept.port}, kept in {config.data / 'broker'}")
    elif is_loopback(config.mqtt_host) and is_loopback(config.listen_host):
        kept = LibraryBroker(credentials, config.mqtt_port).start()
        say(
            f"haunt: no Mosquitto in use, so a small broker runs on {kept.host}:{kept.port}. It is "
            "for trying out: for a night install Mosquitto (apt-get install mosquitto)"
        )
    else:
        raise StartRefused(
            "no Mosquitto in use, and the broker that comes with haunt is never opened to a "
            "network. Install it (apt-get install mosquitto), or name one with "
            "--broker mqtt://HOST:PORT"
        )
    account = Account(
        "127.0.0.1" if kept.host == "0.0.0.0" else kept.host,  # noqa: S104 - compares, binds nothing
        kept.port,
        credentials.controller,
        credentials.controller_password(),
    )
    return Joined(account, wanted, kept)


def let_go(kept: KeptBroker | LibraryBroker | None, *, leave_running: bool) -> None:
    """End the broker, or leave it to the next turn: then no board notices that there is one."""
    match kept:
        case KeptBroker():
            kept.stop(leave_running=leave_running)
        case LibraryBroker():
            kept.stop()
        case None:
            pass
        case _:
            assert_never(kept)


def _controller_account(config: Config, show: str) -> Account:
    """Without a name in the URL the controller signs in as the files of `boards export` say."""
    account = foreign_account(config.broker, f"{show}-controller", config.broker_ca)
    if account.username is not None:
        return account
    credentials = Credentials(config.data / "broker", show)
    password = credentials.controller_password()
    return replace(account, username=credentials.controller, password=password)


def foreign_account(url: str, client_id: str, ca: Path | None = None) -> Account:
    """`ca` names the authority to trust in place of the system's."""
    parts = urlsplit(url)
    secure = parts.scheme == "mqtts"
    return Account(
        parts.hostname or "127.0.0.1",
        parts.port or (8883 if secure else 1883),
        unquote(parts.username) if parts.username else None,
        unquote(parts.password) if parts.password else None,
        client_id,
        _context(ca) if secure else None,
    )


def _context(ca: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca)
    except (ssl.SSLError, OSError) as fault:
        raise StartRefused(f"broker_ca {ca}: {fault}") from fault
