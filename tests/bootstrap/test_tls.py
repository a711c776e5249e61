"""Goal: pages come over https wherever there is a certificate, and never over less by mistake.

Method: certificates made here, read back; what is said at a start; Python's own TLS as the phone.
"""

import ssl
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from haunt.bootstrap.certs import SERVER_DAYS, make_certificates
from haunt.bootstrap.doctor import examine_all
from haunt.bootstrap.people import base_url
from haunt.bootstrap.refusal import StartRefused
from haunt.bootstrap.tls import (
    DRAINED_MAX,
    Certificate,
    answer_to,
    authority_of,
    certificate_of,
    context_of,
    is_wanted,
    words_of,
)
from haunt.config import Config, SettingRefused, read_config

NOW = datetime.now(UTC)
NAMES = ["haunt.local", "192.168.1.20", "localhost"]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Config:
    data = tmp_path_factory.mktemp("house")
    make_certificates(data / "certs", NAMES, NOW)
    return read_config(data, {}, {})


@pytest.fixture(scope="module")
def certificate(house: Config) -> Certificate:
    found = certificate_of(house)
    assert found is not None
    return found


def test_https_is_served_where_there_is_a_certificate_unless_it_is_switched_off(
    house: Config, tmp_path: Path
) -> None:
    bare = read_config(tmp_path, {}, {})

    assert is_wanted(house)
    assert not is_wanted(bare)
    assert certificate_of(bare) is None
    assert certificate_of(replace(house, tls="off")) is None
    with pytest.raises(StartRefused, match=r"there is no .*server\.pem; make one with haunt certs"):
        certificate_of(replace(bare, tls="on"))


def test_whether_tls_is_served_can_be_said_in_every_layer_of_settings(tmp_path: Path) -> None:
    (tmp_path / "haunt.toml").write_text('tls = "off"\n')

    assert read_config(tmp_path, {}, {}).tls == "off"
    assert read_config(tmp_path, {}, {"HAUNT_TLS": "on"}).tls == "on"
    assert read_config(tmp_path, {"tls": "auto"}, {"HAUNT_TLS": "on"}).tls == "auto"
    with pytest.raises(SettingRefused, match="tls 'yes': allowed are auto, on, off"):
        read_config(tmp_path, {"tls": "yes"}, {})


@pytest.mark.parametrize("broken", ["server.pem", "server-key.pem"])
def test_a_damaged_certificate_stops_the_start_and_is_no_reason_for_plain_http(
    tmp_path: Path, broken: str
) -> None:
    make_certificates(tmp_path / "certs", NAMES, NOW)
    (tmp_path / "certs" / broken).write_text("-----BEGIN NOTHING-----\n")

    with pytest.raises(StartRefused, match=r"cannot be used .* or start with --tls off"):
        certificate_of(read_config(tmp_path, {}, {}))


def test_a_key_of_another_certificate_stops_the_start(tmp_path: Path) -> None:
    make_certificates(tmp_path / "certs", NAMES, NOW)
    other = make_certificates(tmp_path / "other", NAMES, NOW)
    other.key.replace(tmp_path / "certs" / "server-key.pem")

    with pytest.raises(StartRefused, match="cannot be used"):
        certificate_of(read_config(tmp_path, {}, {}))


def test_addresses_that_are_given_out_are_names_the_certificate_vouches_for(
    certificate: Certificate,
) -> None:
    assert base_url("192.168.1.20", 8080, certificate) == "https://192.168.1.20:8080"
    assert base_url("0.0.0.0", 8080, certificate) in {
        "https://haunt.local:8080",
        "https://192.168.1.20:8080",
    }
    assert base_url("192.168.1.9", 8080, certificate) == "https://haunt.local:8080"
    # On loopback alone no name of the network leads here.
    assert base_url("127.0.0.1", 8080, certificate) == "https://localhost:8080"
    outside = certificate._replace(names=("haunt.local",))
    assert base_url("127.0.0.1", 8080, outside) == "https://127.0.0.1:8080"
    assert base_url("127.0.0.1", 8080) == "http://127.0.0.1:8080"


@pytest.mark.parametrize(
    ("days", "says"),
    [
        (-3, "is the clock right"),
        (1, ""),
        (SERVER_DAYS - 10, "this certificate ends on"),
        (SERVER_DAYS + 1, "this certificate ended on"),
    ],
)
def test_whoever_starts_it_is_told_in_time_that_the_certificate_ends(
    certificate: Certificate, days: int, says: str
) -> None:
    url = "https://haunt.local:8080"
    first, *warned = words_of(certificate, url, NOW + timedelta(days=days))

    assert f"{url}/ca.pem" in first
    assert len(warned) == bool(says)
    assert all(says in each for each in warned)


def test_a_name_that_browsers_will_warn_of_is_said(certificate: Certificate) -> None:
    _, warned = words_of(certificate, "https://127.0.0.1:8080", NOW)

    assert "vouches for haunt.local, localhost, 192.168.1.20, not for 127.0.0.1" in warned


def test_phones_are_given_the_authority_and_its_fingerprint_and_no_key(house: Config) -> None:
    found = authority_of(house)

    assert found is not None
    assert found.pem == (house.data / "certs" / "ca.pem").read_bytes()
    assert b"PRIVATE" not in found.pem
    assert len(found.fingerprint.split(":")) == 32
    assert authority_of(replace(house, data=house.data / "elsewhere")) is None


@pytest.mark.parametrize(
    ("asked", "status", "where"),
    [
        (b"GET /props/owl?a=b HTTP/1.1\r\nHost: haunt.local:8080\r\n\r\n", 307, b"/props/owl?a=b"),
        (b"HEAD / HTTP/1.1\r\nAccept: */*\r\nhOsT:  haunt.local:8080 \r\n\r\n", 307, b"/"),
        (b"POST /stop HTTP/1.1\r\nHost: haunt.local:8080\r\n\r\n", 400, None),
        (b"GET /\r\n\r\n", 400, None),
        (b"GET / HTTP/1.1\r\nHost: a b\r\n\r\n", 400, None),
        (b"GET /\xff HTTP/1.1\r\nHost: haunt.local\r\n\r\n", 400, None),
        (b"GET http://else.example/ HTTP/1.1\r\nHost: haunt.local\r\n\r\n", 400, None),
        (b"\x10\x0c\x00\x04MQTT", 400, None),
        (b"\x00", 400, None),
    ],
)
def test_plain_http_is_led_to_https_and_to_nowhere_else(
    asked: bytes, status: int, where: bytes | None
) -> None:
    answer = answer_to(asked)
    head, _, body = answer.partition(b"\r\n\r\n")
    lines = dict(line.split(b": ", 1) for line in head.split(b"\r\n")[1:])

    assert answer.startswith(b"HTTP/1.1 %d " % status)
    assert lines[b"connection"] == b"close"
    assert lines[b"cache-control"] == b"no-store"
    if where is None:
        assert b"location" not in lines
        assert b"https only" in body
    else:
        assert lines[b"location"] == b"https://haunt.local:8080" + where
        assert (
            body == b"" if asked.startswith(b"HEAD") else int(lines[b"content-length"]) == len(body)
        )


def shaken(context: ssl.SSLContext, sent: bytes) -> bytes:
    """What a port of TLS answers to these bytes, before it hangs up or waits for more."""
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    server = context.wrap_bio(to_server, to_client, server_side=True)
    for at in range(0, len(sent), 1400):
        to_server.write(sent[at : at + 1400])
        with suppress(ssl.SSLWantReadError):
            server.do_handshake()
    return to_client.read()


def test_the_port_itself_gives_that_answer_once_and_reads_the_rest_away(
    certificate: Certificate,
) -> None:
    context = context_of(certificate)

    long = b"GET / HTTP/1.1\r\nHost: haunt.local\r\n\r\n" + b"x" * 20_000
    assert shaken(context, long).count(b"HTTP/1.1 307") == 1
    with pytest.raises(ssl.SSLError, match="plain http"):
        shaken(context, b"POST / HTTP/1.1\r\n\r\n" + b"x" * DRAINED_MAX)


def test_a_phone_that_trusts_the_authority_gets_through_that_port(
    house: Config, certificate: Certificate
) -> None:
    trusting = ssl.create_default_context(cafile=str(house.data / "certs" / "ca.pem"))
    context = context_of(certificate)
    to_server, to_phone = ssl.MemoryBIO(), ssl.MemoryBIO()
    server = context.wrap_bio(to_server, to_phone, server_side=True)
    phone = trusting.wrap_bio(to_phone, to_server, server_hostname="haunt.local")

    for _ in range(4):
        for side in (phone, server):
            with suppress(ssl.SSLWantReadError):
                side.do_handshake()
    phone.write(b"hello")

    assert server.read() == b"hello"
    assert phone.version() == "TLSv1.3"


@pytest.mark.parametrize(
    ("days", "good"), [(1, True), (SERVER_DAYS - 10, False), (SERVER_DAYS + 1, False), (-3, False)]
)
def test_the_doctor_looks_at_the_certificate_before_a_night_does(
    house: Config, days: int, good: bool
) -> None:
    found = {each.what: each for each in examine_all(house, NOW + timedelta(days=days))}

    assert found["certificate"].good is good
    assert "haunt.local" in found["certificate"].said
    assert "certificate" not in {each.what for each in examine_all(replace(house, tls="off"), NOW)}


def test_the_doctor_finds_a_certificate_that_would_stop_the_start(tmp_path: Path) -> None:
    make_certificates(tmp_path / "certs", NAMES, NOW)
    (tmp_path / "certs" / "server.pem").write_text("nothing")

    found = {each.what: each for each in examine_all(read_config(tmp_path, {}, {}), NOW)}

    assert not found["certificate"].good
    assert "--tls off" in found["certificate"].said
