"""A certificate authority of one household and the server's certificate, made on this machine.

Keys never leave the folder and are readable by their owner only; nothing is overwritten.
"""

import re
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from pathlib import Path
from typing import Final, NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey
from cryptography.hazmat.primitives.asymmetric.ec import generate_private_key as make_key
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from haunt.store.files import write_new

CA_DAYS: Final = 3650
SERVER_DAYS: Final = 397
"""Browsers refuse longer ones: 398 days is the limit of public ones, 825 of Apple's for private.
From memory, not looked up."""
EARLIEST: Final = datetime(2026, 1, 1, tzinfo=UTC)
NAME = re.compile(
    r"(?=.{1,253}$)([a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*"
)
# A stolen key of this authority is worth nothing outside of a house.
OWN_DOMAINS: Final = ("local", "lan", "home.arpa", "localhost")
OWN_NETWORKS: Final = (
    *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8"),
    *("fc00::/7", "fe80::/10", "::1/128"),
)


class CertificatesRefused(Exception):  # noqa: N818 - the word says what happened
    """Why no certificate was made, and what to do."""


class Made(NamedTuple):
    """Paths for the server and for phones, and until when the server's certificate counts."""

    ca: Path
    certificate: Path
    key: Path
    names: tuple[str, ...]
    until: datetime
    fingerprint: str = ""


class Authority(NamedTuple):
    certificate: x509.Certificate
    key: EllipticCurvePrivateKey


def make_certificates(
    folder: Path, names: list[str], now: datetime, *, renew: bool = False
) -> Made:
    """Make an authority where there is none, and a certificate for these names and addresses.

    With `renew` the server's is made anew by the same authority, so that phones go on trusting.
    Raises CertificatesRefused.
    """
    found = [_general(each) for each in names]
    if not found:
        raise CertificatesRefused("give at least one --name: a host name or an address")
    if now < EARLIEST:
        raise CertificatesRefused(f"this machine's clock says {now:%Y-%m-%d}; set it first")
    made = Made(
        folder / "ca.pem",
        folder / "server.pem",
        folder / "server-key.pem",
        tuple(names),
        now + timedelta(days=SERVER_DAYS),
    )
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _refuse_overwriting(made, folder, renew=renew)
        authority = _authority(folder, found, now)
        _issue(authority, made, found, now)
        made = made._replace(fingerprint=fingerprint_of(authority.certificate))
    except OSError as fault:
        raise CertificatesRefused(f"{folder}: {fault.strerror}") from fault
    return made


def fingerprint_of(certificate: x509.Certificate) -> str:
    """Return its SHA-256 as phones show it, to be compared by eye."""
    return certificate.fingerprint(SHA256()).hex(":").upper()


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        if NAME.fullmatch(name) is None:
            raise CertificatesRefused(
                f"name {name!r}; allowed: a host name in small letters, or an address"
            ) from None
        return x509.DNSName(name)


def _refuse_overwriting(made: Made, folder: Path, *, renew: bool) -> None:
    if renew and not (made.ca.exists() and (folder / "ca-key.pem").exists()):
        raise CertificatesRefused(f"{folder} holds no authority to renew by; leave out --renew")
    present = [each for each in (made.ca, made.certificate, made.key) if each.exists()]
    if present and not renew:
        raise CertificatesRefused(
            f"{present[0]} exists and is not overwritten. For a new server certificate by the "
            "same authority add --renew; to begin anew, move the folder away (every phone must "
            "then be given the new authority)"
        )


def _authority(folder: Path, found: list[x509.GeneralName], now: datetime) -> Authority:
    path, key_path = folder / "ca.pem", folder / "ca-key.pem"
    if path.exists():
        return _known_authority(path, key_path, now)
    key = make_key(SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"haunt {now:%Y-%m-%d}")])
    made = (
        _begun(subject, subject, key, now, CA_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        # The standard wants it critical, but small TLS stacks on boards then refuse the whole.
        .add_extension(x509.NameConstraints(_permitted(found), None), critical=False)
        .sign(key, SHA256())
    )
    _write(key_path, _pem(key))
    _write(path, made.public_bytes(Encoding.PEM), mode=0o644)
    return Authority(made, key)


def _known_authority(path: Path, key_path: Path, now: datetime) -> Authority:
    try:
        found = x509.load_pem_x509_certificate(path.read_bytes())
        key = load_pem_private_key(key_path.read_bytes(), None)
    except ValueError as fault:
        raise CertificatesRefused(f"{path} or its key cannot be read: {fault}") from fault
    if not isinstance(key, EllipticCurvePrivateKey) or key.public_key() != found.public_key():
        raise CertificatesRefused(f"{key_path} is not the key of {path}")
    if found.not_valid_after_utc < now + timedelta(days=SERVER_DAYS):
        raise CertificatesRefused(
            f"the authority in {path} ends on {found.not_valid_after_utc:%Y-%m-%d}; move the "
            "folder away and begin anew"
        )
    return Authority(found, key)


def _issue(authority: Authority, made: Made, found: list[x509.GeneralName], now: datetime) -> None:
    key = make_key(SECP256R1())
    _refuse_outside(authority.certificate, found)
    # Not the bare address: where no host name is vouched for, OpenSSL takes this for one, and the
    # authority permits only its own.
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"haunt at {made.names[0]}"[:64])])
    issuer = authority.certificate
    own_id = x509.SubjectKeyIdentifier.from_public_key(issuer.public_key())
    certificate = (
        _begun(subject, issuer.subject, key, now, SERVER_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(found), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(own_id), critical=False
        )
        .sign(authority.key, SHA256())
    )
    # Both are written before either is in place, so that they always belong together.
    for path, content, mode in (
        (made.key, _pem(key), 0o600),
        (made.certificate, certificate.public_bytes(Encoding.PEM), 0o644),
    ):
        _write(path.with_suffix(".new"), content, mode=mode)
    for path in (made.key, made.certificate):
        path.with_suffix(".new").replace(path)


def _refuse_outside(authority: x509.Certificate, found: list[x509.GeneralName]) -> None:
    allowed = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    for each in found:
        if not any(_is_within(each, one) for one in allowed.permitted_subtrees or ()):
            raise CertificatesRefused(
                f"this authority was made for other names and cannot vouch for {each.value}; "
                "names under .local, .lan, .home.arpa and private addresses always can be added"
            )


def _is_within(name: x509.GeneralName, allowed: x509.GeneralName) -> bool:
    if isinstance(name, x509.DNSName) and isinstance(allowed, x509.DNSName):
        return name.value == allowed.value or name.value.endswith(f".{allowed.value}")
    if isinstance(name, x509.IPAddress) and isinstance(allowed, x509.IPAddress):
        address, network = name.value, allowed.value
        return (
            isinstance(address, IPv4Address | IPv6Address)
            and isinstance(network, IPv4Network | IPv6Network)
            and address in network
        )
    return False


def _permitted(found: list[x509.GeneralName]) -> list[x509.GeneralName]:
    return [
        *(x509.DNSName(each) for each in OWN_DOMAINS),
        *(x509.IPAddress(ip_network(each)) for each in OWN_NETWORKS),
        *(
            x509.IPAddress(ip_network(str(each.value)))
            if isinstance(each, x509.IPAddress)
            else each
            for each in found
        ),
    ]


def _begun(
    subject: x509.Name,
    issuer: x509.Name,
    key: EllipticCurvePrivateKey,
    now: datetime,
    days: int,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # phones' clocks are seldom quite right
        .not_valid_after(now + timedelta(days=days))
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _pem(key: EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _write(path: Path, content: bytes, mode: int = 0o600) -> None:
    path.unlink(missing_ok=True)
    write_new(path, content, mode)
