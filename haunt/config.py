"""Flags, then `HAUNT_*` variables, then `<data>/haunt.toml`, as one frozen value."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from ipaddress import ip_address
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

NAME = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*")
TLS = ("auto", "on", "off")
LOGS = ("warnings", "text", "json")
SETTINGS = {
    "listen": "127.0.0.1:8080",
    "mqtt": "127.0.0.1:1883",
    "broker": "auto",
    "broker_ca": "",
    "database": "",
    "show": "",
    "name": "",
    "mdns": "haunt",
    "tls": "auto",
    "webhook": "",
    "log": "warnings",
}
"""Every setting that flags, environment and file know, with its default. `data` comes first."""
OWN_BROKERS: Final = ("auto", "library")
"""Kept by haunt itself: Mosquitto where there is one, or the small one that comes with it."""


class SettingRefused(Exception):  # noqa: N818 - the word says what happened
    """A setting is wrong: which, where it was given, what is allowed."""


@dataclass(frozen=True, slots=True)
class Config:
    """`mqtt_*` is the kept broker's listener; port 0 takes a free one. `origin` says who set it.

    `names` are what browsers may call this server, beside its addresses and localhost. `tls` is
    auto (https where there is a certificate), on, or off. `webhook` is where alerts are posted.
    `log` is warnings, or every motion's way as text or json, on standard error. `mdns` is the name
    under .local that is announced beyond loopback, or off. `broker_ca` is the authority that a
    foreign broker's certificate must come from, where the system's own do not know it.
    """

    data: Path
    listen_host: str
    listen_port: int
    mqtt_host: str
    mqtt_port: int
    broker: str
    database: str
    show: Path | None
    names: tuple[str, ...] = ()
    tls: str = "auto"
    webhook: str = ""
    log: str = "warnings"
    mdns: str = "haunt"
    broker_ca: Path | None = None
    origin: tuple[tuple[str, str], ...] = ()

    @property
    def has_foreign_broker(self) -> bool:
        """Whether somebody else keeps the broker, at an address."""
        return self.broker not in OWN_BROKERS


def read_config(
    data: Path, flags: Mapping[str, str | None], environment: Mapping[str, str]
) -> Config:
    """Read the layers, each over the one before; None in flags is not given.

    Raises SettingRefused for the first setting that is wrong.
    """
    values, origin = dict(SETTINGS), dict.fromkeys(SETTINGS, "default")
    layers = (
        (str(data / "haunt.toml"), _from_file(data / "haunt.toml")),
        ("environment", {key: environment.get(f"HAUNT_{key.upper()}") for key in SETTINGS}),
        ("flag", dict(flags)),
    )
    for name, layer in layers:
        for key, value in layer.items():
            if value is not None:
                values[key], origin[key] = value, name
    host, port = _address("listen", values["listen"], origin)
    mqtt_host, mqtt_port = _address("mqtt", values["mqtt"], origin)
    return Config(
        data=data,
        listen_host=host,
        listen_port=port,
        mqtt_host=mqtt_host,
        mqtt_port=mqtt_port,
        broker=_broker(values["broker"]),
        database=values["database"],
        show=Path(values["show"]) if values["show"] else None,
        names=_names(values["name"]),
        tls=_one_of(TLS, "tls", values["tls"]),
        webhook=_webhook(values["webhook"]),
        log=_one_of(LOGS, "log", values["log"]),
        mdns=_mdns(values["mdns"]),
        broker_ca=_pem(values["broker_ca"]),
        origin=tuple(origin.items()),
    )


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _from_file(path: Path) -> dict[str, str]:
    if not path.exists():
        return {}
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise SettingRefused(f"{path}: {fault}") from fault
    for key, value in found.items():
        if key not in SETTINGS:
            near = get_close_matches(key, SETTINGS, n=1)
            also = f"; did you mean {near[0]}?" if near else ""
            raise SettingRefused(
                f"{path}: unknown setting {key!r}{also} Known: {', '.join(SETTINGS)}"
            )
        if not isinstance(value, str):
            raise SettingRefused(f"{path}: {key} is text in quotes")
    return found


def _address(key: str, text: str, origin: Mapping[str, str]) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or not port.isdigit() or int(port) > 65_535 or not host:
        raise SettingRefused(
            f"{key} {text!r} (from {origin[key]}): allowed is HOST:PORT, such as {SETTINGS[key]}"
        )
    return host.strip("[]"), int(port)


def _names(text: str) -> tuple[str, ...]:
    found = tuple(each.strip().lower().rstrip(".") for each in text.split(",") if each.strip())
    for each in found:
        if not NAME.fullmatch(each):
            raise SettingRefused(
                f"name {each!r}: allowed are host names, such as haunt.local, with commas between"
            )
    return found


def _mdns(text: str) -> str:
    label = text.lower().removesuffix(".local")
    if len(label) <= 60 and NAME.fullmatch(label) and "." not in label:
        return label
    raise SettingRefused(f"mdns {text!r}: allowed are off, or one name such as haunt")


def _pem(text: str) -> Path | None:
    if not text:
        return None
    path = Path(text)
    if not path.is_file():
        raise SettingRefused(f"broker_ca {text!r}: no such file; allowed is a PEM file")
    return path


def _one_of(allowed: tuple[str, ...], key: str, text: str) -> str:
    if text in allowed:
        return text
    raise SettingRefused(f"{key} {text!r}: allowed are {', '.join(allowed)}")


def _webhook(text: str) -> str:
    """Its path may be a secret: it is never said again, only the host."""
    try:
        parts = urlsplit(text)
        is_good = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        is_good, parts = False, urlsplit("")
    if text and (not is_good or parts.username is not None or not text.isascii()):
        raise SettingRefused(
            "webhook: allowed is http[s]://HOST[:PORT]/PATH, without a name or password in it"
        )
    return text


def _broker(text: str) -> str:
    if text in OWN_BROKERS or text.startswith(("mqtt://", "mqtts://")):
        return text
    raise SettingRefused(
        f"broker {text!r}: allowed are auto, library, mqtt://HOST:PORT, mqtts://HOST:PORT"
    )
