"""Addresses of this machine as others on the network can use them."""

import socket
from ipaddress import ip_address
from typing import Final

NOWHERE: Final = {"4": "192.0.2.1", "6": "2001:db8::1"}
"""Addresses for documentation (RFC 5737, RFC 3849): nothing is sent to them."""


def reachable(host: str) -> str:
    """Return what leads to a listener on `host`, for one that listens everywhere too."""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    if not address.is_unspecified:
        return host
    return _own_address(str(address.version)) or ("::1" if ":" in host else "127.0.0.1")


def _own_address(version: str) -> str | None:
    """Return the address that this machine would go out by; asking sends nothing."""
    family = socket.AF_INET if version == "4" else socket.AF_INET6
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((NOWHERE[version], 9))
        except OSError:
            return None
        found: str = probe.getsockname()[0]
        return found
