"""Goal: phones and boards that trust our authority reach this server by its names, and no other.

Method: OpenSSL, through Python's ssl and its own command, judges what we made; keys are looked at
on disk. A real TLS handshake over a socket pair stands for the network.
"""

import ssl
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from haunt.bootstrap.certs import SERVER_DAYS, CertificatesRefused, Made, make_certificates
from tests.outside.registry import outside

NOW = datetime(2026, 10, 1, 12, tzinfo=UTC)
NAMES = ["haunt.local", "garden", "192.168.1.20", "fd00::20"]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    return make_certificates(tmp_path / "certs", NAMES, NOW)


def judged(made: Made, at: datetime, *more: str) -> str:
    """Return what OpenSSL says of the server's certificate at that time."""
    words = ["openssl", "verify", "-x509_strict", "-purpose", "sslserver"]
    words += ["-attime", str(int(at.timestamp())), "-CAfile", str(made.ca), *more]
    told = subprocess.run(
        [*words, str(made.certificate)],
        capture_output=True,
        text=True,
        check=False,
    )
    return told.stdout + told.stderr


def test_every_name_given_is_vouched_for_and_no_other(made: Made) -> None:
    assert judged(made, NOW).endswith("OK\n")
    for name in ("haunt.local", "garden"):
        assert judged(made, NOW, "-verify_hostname", name).endswith("OK\n")
    for address in ("192.168.1.20", "fd00::20"):
        assert judged(made, NOW, "-verify_ip", address).endswith("OK\n")
    assert "mismatch" in judged(made, NOW, "-verify_hostname", "other.local")
    assert "mismatch" in judged(made, NOW, "-verify_ip", "192.168.1.21")
    outside("certificates/openssl").agrees(cases=7)


def test_addresses_alone_are_vouched_for_as_well(tmp_path: Path) -> None:
    made = make_certificates(tmp_path, ["192.168.1.20"], NOW)

    assert judged(made, NOW, "-verify_ip", "192.168.1.20").endswith("OK\n")
    assert "mismatch" in judged(made, NOW, "-verify_ip", "192.168.1.21")


@pytest.mark.parametrize(
    ("days", "says"), [(-2, "not yet valid"), (0, "OK"), (396, "OK"), (398, "expired")]
)
def test_it_counts_from_a_day_before_for_397_days(made: Made, days: int, says: str) -> None:
    assert says in judged(made, NOW + timedelta(days=days))
    outside("certificates/openssl").agrees()
    assert made.until == NOW + timedelta(days=SERVER_DAYS)


def test_a_stranger_is_not_trusted(made: Made, tmp_path: Path) -> None:
    other = make_certificates(tmp_path / "other", NAMES, NOW)

    assert "error" in judged(made._replace(ca=other.ca), NOW)


def test_keys_are_their_owners_alone(made: Made) -> None:
    modes = {each.name: stat.S_IMODE(each.stat().st_mode) for each in made.key.parent.iterdir()}

    assert modes == {
        "ca.pem": 0o644,
        "ca-key.pem": 0o600,
        "server.pem": 0o644,
        "server-key.pem": 0o600,
    }
    assert stat.S_IMODE(made.key.parent.stat().st_mode) == 0o700


def test_nothing_is_overwritten_unless_renewed_by_the_same_authority(made: Made) -> None:
    folder = made.key.parent
    before = {each.name: each.read_bytes() for each in folder.iterdir()}
    with pytest.raises(CertificatesRefused, match=r"is not overwritten.*add --renew"):
        make_certificates(folder, NAMES, NOW)
    assert {each.name: each.read_bytes() for each in folder.iterdir()} == before

    later = NOW + timedelta(days=300)
    again = make_certificates(folder, ["other.local", "10.0.0.7"], later, renew=True)

    assert again.ca.read_bytes() == before["ca.pem"]
    assert judged(again, later + timedelta(days=390), "-verify_ip", "10.0.0.7").endswith("OK\n")


def test_an_authority_of_a_house_cannot_vouch_for_a_bank(made: Made) -> None:
    with pytest.raises(CertificatesRefused, match=r"cannot vouch for bank\.example"):
        make_certificates(made.key.parent, ["bank.example"], NOW, renew=True)


@pytest.mark.parametrize(
    "name", ["", "UPPER", "*.local", "a b", "-a", "http://x", "x" * 64, "a..b", "ü"]
)
def test_a_name_that_is_none_is_refused_in_words(tmp_path: Path, name: str) -> None:
    with pytest.raises(CertificatesRefused, match="allowed: a host name"):
        make_certificates(tmp_path / "certs", [name], NOW)
    assert not (tmp_path / "certs").exists()


def test_a_clock_that_was_never_set_makes_no_certificate(tmp_path: Path) -> None:
    with pytest.raises(CertificatesRefused, match="clock says 1970"):
        make_certificates(tmp_path / "certs", NAMES, datetime(1970, 1, 1, tzinfo=UTC))


def test_renewing_without_an_authority_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CertificatesRefused, match="no authority to renew by"):
        make_certificates(tmp_path / "certs", NAMES, NOW, renew=True)


def test_an_authority_with_another_key_is_refused(made: Made, tmp_path: Path) -> None:
    other = make_certificates(tmp_path / "other", NAMES, NOW)
    (other.ca.parent / "ca-key.pem").replace(made.ca.parent / "ca-key.pem")

    with pytest.raises(CertificatesRefused, match="is not the key of"):
        make_certificates(made.ca.parent, NAMES, NOW, renew=True)


def test_a_phone_that_trusts_the_authority_shakes_hands(tmp_path: Path) -> None:
    made = make_certificates(tmp_path / "certs", NAMES, datetime.now(UTC))
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(made.certificate, made.key)
    to_server, to_phone = ssl.MemoryBIO(), ssl.MemoryBIO()
    server = serving.wrap_bio(to_server, to_phone, server_side=True)
    trusting = ssl.create_default_context(cafile=str(made.ca))
    phone = trusting.wrap_bio(to_phone, to_server, server_hostname="192.168.1.20")

    for _ in range(4):
        for side in (phone, server):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue

    assert phone.version() == "TLSv1.3"
