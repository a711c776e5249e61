"""Goal: a house with certificates is served over https, and nobody is left hanging at the door.

Method: the real server as a process, with the CA of `haunt certs`; an HTTP client that trusts it,
one that does not, and bare sockets that speak anything but TLS.
"""

import re
import signal
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import httpx2
import pytest

from tests.system.house import HAUNT, ROOT, SHOW, free_port, until

pytestmark = pytest.mark.system
PATIENCE_S: Final = 3.0
PASSWORD: Final = "seven lamps in a row"


@dataclass(frozen=True, slots=True)
class Secured:
    """A server over https; `said` is what it printed while it started."""

    data: Path
    port: int
    log: Path

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}"

    @property
    def ca(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.data / "certs" / "ca.pem"))

    def said(self) -> str:
        return self.log.read_text()

    def phone(self) -> httpx2.Client:
        return httpx2.Client(
            base_url=self.url,
            verify=self.ca,
            timeout=10,
            headers={"origin": self.url},
            trust_env=False,
        )


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Secured]:
    folder = tmp_path_factory.mktemp("secured")
    found = Secured(folder / "data", free_port(), folder / "log")
    show = folder / "show.toml"
    show.write_text(SHOW)
    told = subprocess.run(
        [*HAUNT, "certs", "--name", "localhost", "--name", "haunt.local", "--data", found.data],
        check=True,
        capture_output=True,
        cwd=ROOT,
        text=True,
    )
    assert re.search(r"SHA-256: +([0-9A-F]{2}:){31}[0-9A-F]{2}\n", told.stdout)
    words = ["serve", "--mqtt", "127.0.0.1:0", "--listen", f"127.0.0.1:{found.port}"]
    with found.log.open("wb") as log:
        process = subprocess.Popen(
            [*HAUNT, *words, "--data", found.data, "--show", show], stderr=log, cwd=ROOT
        )
    try:
        until(lambda: process.poll() is not None or "set-up?code" in found.said(), "the link")
        assert process.poll() is None, found.said()
        yield found
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(15)


def spoken(house: Secured, sent: bytes) -> tuple[bytes, float]:
    """What the port answers to bytes that are no TLS, and after how many seconds it is through."""
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", house.port), PATIENCE_S) as line:
        line.sendall(sent)
        found = b""
        while not _is_whole(found):
            found += line.recv(4096)
    return found, time.monotonic() - began


def _is_whole(answer: bytes) -> bool:
    head, parted, body = answer.partition(b"\r\n\r\n")
    length = re.search(rb"content-length: (\d+)", head)
    return bool(parted) and length is not None and len(body) == int(length[1])


def test_who_trusts_the_authority_gets_in_and_who_does_not_is_warned(house: Secured) -> None:
    with house.phone() as phone:
        assert phone.get("/livez").status_code == 200
    with (
        httpx2.Client(trust_env=False) as stranger,
        pytest.raises(httpx2.ConnectError, match="CERTIFICATE_VERIFY_FAILED"),
    ):
        stranger.get(f"{house.url}/livez")


def test_the_first_link_is_https_and_its_cookie_goes_nowhere_else(house: Secured) -> None:
    assert "plain http" not in house.said()
    found = re.search(r"(https://\S+)(/set-up\?code=\S+)", house.said())
    assert found is not None, house.said()
    # By the name that the certificate vouches for, though it listens on a bare address.
    assert found[1] == house.url
    with house.phone() as phone:
        code = found[2].partition("code=")[2]
        wanted = {"code": code, "name": "Mara", "password": PASSWORD}
        answer = phone.post("/set-up", data=wanted)

        cookie = answer.headers["set-cookie"]
        assert answer.status_code == 303, answer.text
        assert cookie.startswith(f"__Host-haunt-{house.port}=")
        assert {"Secure", "HttpOnly", "Path=/", "SameSite=lax"} <= set(cookie.split("; "))
        assert phone.get("/account").status_code == 200

        link = phone.post(
            "/people/links",
            data={"role": "crew", "hours": "1", "form_token": _form_token(phone, "/people")},
        )
        assert f"{house.url}/join?code=" in link.text

        theme = phone.post("/theme", data={"theme": "red"})
        assert "Secure" in theme.headers["set-cookie"]


def _form_token(phone: httpx2.Client, path: str) -> str:
    found = re.search(r'name="form_token" value="([0-9a-f]+)"', phone.get(path).text)
    assert found is not None
    return found[1]


def test_the_command_line_prints_links_that_lead_to_https(house: Secured) -> None:
    told = subprocess.run(
        [*HAUNT, "people", "add", "Jory", "--role", "crew", "--data", house.data],
        check=True,
        capture_output=True,
        cwd=ROOT,
        text=True,
    )

    assert f"{house.url}/link?code=" in told.stdout


def test_plain_http_is_led_to_https_at_once(house: Secured) -> None:
    answer, took_s = spoken(
        house, b"GET /props/keeper HTTP/1.1\r\nHost: localhost:%d\r\n\r\n" % house.port
    )

    assert answer.startswith(b"HTTP/1.1 307 ")
    assert f"location: {house.url}/props/keeper\r\n".encode() in answer
    assert took_s < PATIENCE_S


@pytest.mark.parametrize(
    "sent",
    [
        b"POST /api/v1/stop HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n",
        b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x0a\x00\x00",
        b"x",
    ],
)
def test_what_speaks_no_tls_is_told_so_and_stops_nothing(house: Secured, sent: bytes) -> None:
    answer, took_s = spoken(house, sent)

    assert answer.startswith(b"HTTP/1.1 400 ")
    assert answer.endswith(b"This port speaks https only.\n")
    assert took_s < PATIENCE_S


def test_those_who_say_nothing_hold_up_nobody(house: Secured) -> None:
    silent = [socket.create_connection(("127.0.0.1", house.port)) for _ in range(40)]
    try:
        with house.phone() as phone:
            began = time.monotonic()
            assert phone.get("/livez").status_code == 200
            assert time.monotonic() - began < PATIENCE_S
    finally:
        for each in silent:
            each.close()


def test_a_name_of_the_certificate_is_known_and_a_plain_page_may_change_nothing(
    house: Secured,
) -> None:
    with house.phone() as phone:
        known = phone.get("/sign-in", headers={"host": f"haunt.local:{house.port}"})
        other = phone.get("/sign-in", headers={"host": f"else.local:{house.port}"})
        lowered = phone.post("/theme", headers={"origin": house.url.replace("https", "http")})

    assert (known.status_code, other.status_code, lowered.status_code) == (200, 400, 403)
    assert "Changes must come from our own pages" in lowered.text


def test_phones_fetch_the_authority_before_they_are_in(house: Secured) -> None:
    with house.phone() as phone:
        answer = phone.get("/ca.pem")

    assert answer.headers["content-type"] == "application/x-x509-ca-cert"
    assert answer.content == (house.data / "certs" / "ca.pem").read_bytes()
