"""A house with certificates, its owner at a browser, and those who knock while it starts anew."""

import re
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple
from urllib.request import HTTPSHandler, build_opener, install_opener

import httpx2

from haunt.bootstrap.certs import make_certificates
from tests.system.house import SHOW, House, Server, until

WORDS = "seven lamps in a row"
NAMES = ["localhost", "haunt.local"]
PATIENCE_S = 90.0
"""A backup is tried at low priority: on a machine that does much else it takes its time."""


@dataclass
class SecuredServer(Server):
    """`haunt serve` over a folder with certificates."""

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}"

    @property
    def ca(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.data / "certs" / "ca.pem"))

    def said(self) -> str:
        """What it has printed so far."""
        return (self.data.parent / "server.log").read_text()

    def phone(self) -> httpx2.Client:
        """A browser that trusts the authority."""
        return httpx2.Client(
            base_url=self.url,
            verify=self.ca,
            timeout=PATIENCE_S,
            headers={"origin": self.url},
            trust_env=False,
        )


class Owner:
    """Mara at her browser; `came_in` is how the set-up was answered."""

    def __init__(self, server: SecuredServer) -> None:
        self.client = server.phone()
        found = until(lambda: re.search(r"(https://\S+)/set-up\?code=(\S+)", server.said()), "link")
        self.address, code = found[1], found[2]
        wanted = {"code": code, "name": "Mara", "password": WORDS}
        self.came_in = self.client.post("/set-up", data=wanted)
        made = self.press("/people/tokens", "/people", name="test", role="owner").text
        server.token = re.findall(r"<code>(haunt_[^<]+)</code>", made)[0]

    def close(self) -> None:
        self.client.close()

    def press(self, path: str, page: str, **form: str) -> httpx2.Response:
        found = re.search(r'name="form_token" value="([0-9a-f]+)"', self.client.get(page).text)
        assert found is not None, f"{page} has no form"
        return self.client.post(path, data={**form, "form_token": found[1]})

    def sees_restored(self, name: str) -> bool:
        """Sign in until the next turn is there: the one before lets in to its very end."""
        try:
            self.client.post("/sign-in", data={"name": "Mara", "password": WORDS})
            return f"restored is backup {name};" in self.client.get("/keep").text
        except httpx2.HTTPError:
            return False


class Evening(NamedTuple):
    house: House
    server: SecuredServer
    mara: Owner


@contextmanager
def evening_over_https(folder: Path) -> Iterator[Evening]:
    house = House(folder, SHOW)
    server = SecuredServer(house.server.data, house.server.show, token="given by Mara")
    house.server = server
    make_certificates(server.data / "certs", NAMES, datetime.now(UTC))
    install_opener(build_opener(HTTPSHandler(context=server.ca)))
    try:
        with house, closing(Owner(server)) as mara:
            yield Evening(house, server, mara)
    finally:
        install_opener(build_opener())


@contextmanager
def knocking(server: SecuredServer) -> Iterator[list[str]]:
    """Connect anew again and again while it starts anew; collect what was refused."""
    refused: list[str] = []
    ending = threading.Event()

    def knock() -> None:
        while not ending.wait(0.02):
            try:
                socket.create_connection(("127.0.0.1", server.port), 15).close()
            except OSError as fault:
                refused.append(str(fault))

    thread = threading.Thread(target=knock)
    thread.start()
    try:
        yield refused
    finally:
        ending.set()
        thread.join()


def spoken(server: SecuredServer, sent: bytes) -> tuple[bytes, float]:
    """What the port answers to bytes that are no TLS, and after how many seconds it is through."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", server.port), PATIENCE_S) as line:
        line.sendall(sent)
        found = b""
        while not _is_whole(found):
            found += line.recv(4096)
    return found, time.monotonic() - began


def _is_whole(answer: bytes) -> bool:
    head, parted, body = answer.partition(b"\r\n\r\n")
    length = re.search(rb"content-length: (\d+)", head)
    return bool(parted) and length is not None and len(body) == int(length[1])


def state_of(server: Server, mara: Owner) -> dict[str, Any]:
    return {
        "motions": len(server.get("/api/v1/motions?limit=1000")["items"]),
        "decisions": len(server.decisions()),
        "cooldown_s": server.prop("keeper")["cooldown_s"],
        "tokens": mara.client.get("/people").text.count('aria-label="End token'),
    }
