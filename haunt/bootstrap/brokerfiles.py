"""`haunt boards export`: what whoever keeps another broker must install, and how."""

from pathlib import Path, PurePosixPath
from typing import NamedTuple

from haunt.bootstrap.offline import credentials_of
from haunt.config import Config
from haunt.mqtt.credentials import CredentialRefused, write_private
from haunt.mqtt.exported import Place, exported

PLAIN_PORT, TLS_PORT = 1883, 8883


class Exported(NamedTuple):
    files: tuple[Path, ...]
    words: tuple[str, ...]


def export_broker(
    config: Config, folder: Path, at: PurePosixPath, port: int | None = None, *, tls: bool
) -> Exported | str:
    """Write the files, or say what stands in the way. A file of that name is replaced."""
    found = credentials_of(config)
    if isinstance(found, str):
        return found
    place = Place(at, port=port or (TLS_PORT if tls else PLAIN_PORT))
    if tls:
        certificate, key = str(at / "server.pem"), str(at / "server-key.pem")
        place = place._replace(certificate=certificate, key=key)
    try:
        found.controller_password()
        texts = exported(found.show, found.controller, found.kept(), place)
        paths = tuple(folder / name for name in texts)
        for path, text in zip(paths, texts.values(), strict=True):
            write_private(path, text)
    except (CredentialRefused, OSError) as refused:
        return str(refused)
    return Exported(paths, _words(place, folder))


def _words(place: Place, folder: Path) -> tuple[str, ...]:
    at, tls = place.folder, bool(place.certificate)
    certificate = (
        "put its certificate and key there as server.pem and server-key.pem (haunt certs makes",
        "both: haunt and the boards need its ca.pem, and boards need firmware that speaks TLS);",
    )
    return (
        f"On the broker's machine: put the files of {folder} into {at}, readable by the user",
        "that Mosquitto runs as and nobody else;",
        *(certificate if tls else ()),
        f"add the line  include_dir {at}  to its mosquitto.conf, and start it again.",
        "Here: haunt serve --broker "
        + (
            f"mqtts://HOST:{place.port} --broker-ca ca.pem"
            if tls
            else f"mqtt://HOST:{place.port}  (nothing is encrypted: a network of one's own)"
        ),
        "After boards add, rotate or revoke: export and copy again, then pkill -HUP mosquitto.",
    )
