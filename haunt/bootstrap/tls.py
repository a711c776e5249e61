"""Whether pages are served over TLS, with which certificate, and what is said about it.

It never falls back to plain http because a certificate is bad: that would be noticed by nobody.
"""

import re
import ssl
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import urlsplit

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from haunt.bootstrap.certs import fingerprint_of
from haunt.bootstrap.refusal import StartRefused
from haunt.config import Config, is_loopback

CERTIFICATES: Final = "certs"
SOON_DAYS: Final = 30
DRAINED_MAX: Final = 1 << 20
"""So much of a plain request is read away, for who is cut off while sending sees no answer."""
REQUEST: Final = re.compile(rb"(GET|HEAD) (/[!-~]{0,2047}) HTTP/1\.[01]\r\n")
HOST: Final = re.compile(rb"\r\nhost:[ \t]*([a-z0-9.:\[\]-]{1,255})[ \t]*\r\n", re.IGNORECASE)
HELLO: Final = 0x16  # how every TLS connection begins: a handshake record, RFC 8446, 5.1


class Certificate(NamedTuple):
    """The files of a server's certificate, who it vouches for, and when it counts."""

    file: Path
    key: Path
    names: tuple[str, ...]
    since: datetime
    until: datetime


class Authority(NamedTuple):
    """Satisfies `site.houseports.Trust`: what phones install, and how to know that it is ours."""

    pem: bytes
    fingerprint: str


def is_wanted(config: Config) -> bool:
    """Whether a start would serve https; it does not look into the files."""
    file, key = _files(config)
    return config.tls == "on" or (config.tls == "auto" and file.exists() and key.exists())


def certificate_of(config: Config) -> Certificate | None:
    """Return what https is served with, None for plain http. Raises StartRefused."""
    if not is_wanted(config):
        return None
    file, key = _files(config)
    try:
        found = x509.load_pem_x509_certificate(file.read_bytes())
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(file, key)
    except FileNotFoundError as fault:
        raise StartRefused(
            f"there is no {fault.filename}; make one with haunt certs --name NAME, or start with "
            "--tls off"
        ) from fault
    except (OSError, ValueError) as fault:
        raise StartRefused(
            f"the certificate {file} or its key cannot be used ({fault}). Make it anew with haunt "
            "certs --renew, or start with --tls off"
        ) from fault
    return Certificate(
        file, key, _names(found), found.not_valid_before_utc, found.not_valid_after_utc
    )


def certificate_if_good(config: Config) -> Certificate | None:
    """For who only prints addresses: what is wrong with a certificate the next start says."""
    with suppress(StartRefused):
        return certificate_of(config)
    return None


def _files(config: Config) -> tuple[Path, Path]:
    folder = config.data / CERTIFICATES
    return folder / "server.pem", folder / "server-key.pem"


def _names(found: x509.Certificate) -> tuple[str, ...]:
    try:
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()
    return (
        *names.get_values_for_type(x509.DNSName),
        *(str(each) for each in names.get_values_for_type(x509.IPAddress)),
    )


def authority_of(config: Config) -> Authority | None:
    """Return the authority of this folder, or None where there is none to be read."""
    file = config.data / CERTIFICATES / "ca.pem"
    with suppress(OSError, ValueError):
        found = x509.load_pem_x509_certificate(file.read_bytes())
        pem = found.public_bytes(Encoding.PEM)
        return Authority(pem, fingerprint_of(found))
    return None


def host_vouched_for(shown: str, certificate: Certificate) -> str:
    """Return the name to give out: the one that would be shown, else one that can be trusted."""
    if shown in certificate.names:
        return shown
    alike = [each for each in certificate.names if is_loopback(each) == is_loopback(shown)]
    return alike[0] if alike else shown


def words_of(certificate: Certificate, url: str, now: datetime) -> Iterator[str]:
    """Yield what whoever starts the server should know; `url` is the address of the pages."""
    shown = urlsplit(url).hostname or ""
    until, renew = f"{certificate.until:%Y-%m-%d}", "haunt certs --renew, same names"
    yield f"haunt: https by {certificate.file}, until {until}; phones trust it by {url}/ca.pem"
    if now < certificate.since:
        since = f"{certificate.since:%Y-%m-%d}"
        yield f"haunt: LOOK: this certificate counts from {since}: is the clock right?"
    if now >= certificate.until:
        yield f"haunt: LOOK: this certificate ended on {until}: browsers warn. {renew}"
    elif (certificate.until - now).days < SOON_DAYS:
        yield f"haunt: LOOK: this certificate ends on {until}: {renew}"
    if shown not in certificate.names:
        known = ", ".join(certificate.names)
        yield f"haunt: LOOK: it vouches for {known}, not for {shown}: browsers warn there"


# --- the port


def context_of(certificate: Certificate) -> ssl.SSLContext:
    context = _Context(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate.file, certificate.key)
    context.sslobject_class = _Line
    return context


class _Line(ssl.SSLObject):
    """One connection; whoever speaks plain http is told where https is, at once.

    A browser tries plain http for an address typed in: without an answer the server looks dead.
    """

    incoming: ssl.MemoryBIO
    outgoing: ssl.MemoryBIO
    _is_plain: bool | None = None
    _came = 0

    def do_handshake(self) -> None:
        if self._is_plain is None and self.incoming.pending:
            first = self.incoming.read()
            self._is_plain = first[0] != HELLO
            if self._is_plain:
                self._came = len(first)
                self.outgoing.write(answer_to(first))
            else:
                self.incoming.write(first)
        if not self._is_plain:
            super().do_handshake()
            return
        self._came += len(self.incoming.read())
        if self._came > DRAINED_MAX:
            raise ssl.SSLError(1, "plain http on a port of TLS")
        raise ssl.SSLWantReadError  # what was written goes out; whoever asked hangs up then


class _Context(ssl.SSLContext):
    def wrap_bio(
        self, incoming: ssl.MemoryBIO, outgoing: ssl.MemoryBIO, *more: Any, **named: Any
    ) -> ssl.SSLObject:
        found = super().wrap_bio(incoming, outgoing, *more, **named)
        assert isinstance(found, _Line), "the context makes no other"
        found.incoming, found.outgoing = incoming, outgoing
        return found


def answer_to(first: bytes) -> bytes:
    """Return the whole answer to the first bytes of a plain request.

    Not to be kept by browsers: the server may well start with --tls off one day.
    """
    asked, host = REQUEST.match(first), HOST.search(first)
    if asked is not None and host is not None:
        status, where = b"307 Temporary Redirect", b"https://" + host[1] + asked[2]
        said = b"This port speaks https: " + where + b"\n"
        more = b"location: " + where + b"\r\n"
        body = b"" if asked[1] == b"HEAD" else said
    else:
        status, more, body = b"400 Bad Request", b"", b"This port speaks https only.\n"
        said = body
    return (
        b"HTTP/1.1 " + status + b"\r\n" + more + b"content-type: text/plain; charset=utf-8\r\n"
        b"content-length: " + str(len(said)).encode() + b"\r\n"
        b"cache-control: no-store\r\nconnection: close\r\n\r\n" + body
    )
