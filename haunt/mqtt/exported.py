"""The files by which somebody else's Mosquitto serves a show: text, for whoever keeps it.

They say what the kept broker's settings say: the promises about lost motions rest on either.
"""

from pathlib import PurePosixPath
from typing import NamedTuple

from haunt.mqtt.credentials import Kept, acl_text, password_text
from haunt.mqtt.kept import PROMISED


class Place(NamedTuple):
    """Where the files will lie on the broker's machine, and where it is to listen.

    `certificate` and `key` are paths over there; without them boards and phones on the network
    read along.
    """

    folder: PurePosixPath
    host: str = "0.0.0.0"  # noqa: S104 - boards are on the network
    port: int = 1883
    certificate: str = ""
    key: str = ""


def exported(show: str, controller: str, kept: Kept, place: Place) -> dict[str, str]:
    """Return each file's text by its name. Passwords are hashed in all of them."""
    return {
        "haunt.conf": configuration(place),
        "haunt.passwords": password_text(kept.hashes),
        "haunt.acl": acl_text(show, controller),
    }


def configuration(place: Place) -> str:
    """One listener with everything it needs, to be included by the broker's main file."""
    lines = ["per_listener_settings true", f"listener {place.port} {place.host}"]
    if place.certificate:
        lines += [f"certfile {place.certificate}", f"keyfile {place.key}"]
    lines += [
        "allow_anonymous false",
        f"password_file {place.folder / 'haunt.passwords'}",
        f"acl_file {place.folder / 'haunt.acl'}",
        "use_username_as_clientid true",
        *PROMISED,
        "persistence true",
    ]
    return "\n".join(lines) + "\n"
