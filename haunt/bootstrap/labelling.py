"""`haunt labels`: sheets of labels from a data folder, whether or not a server runs."""

from datetime import UTC, datetime
from urllib.parse import urlsplit

from haunt.bootstrap.offline import open_to_read
from haunt.bootstrap.people import ADDRESS, base_url
from haunt.bootstrap.press import NAMED
from haunt.bootstrap.tls import certificate_if_good
from haunt.config import Config, is_loopback
from haunt.site.paper.ink import PAPERS
from haunt.site.paper.labels import Labels, label_sheets, labels_of
from haunt.store.reader import Reader
from haunt.wire.showfile import read_show


def opens_nowhere_else(base: str) -> bool:
    """Say whether what begins so leads to the machine that reads it and to no other."""
    host = urlsplit(base).hostname
    return host is not None and is_loopback(host)


def labels_from(config: Config, paper: str, address: str | None) -> Labels | str:
    """Return the sheets, or what stands in the way."""
    if paper not in PAPERS:
        return f"paper {paper!r}: allowed are {', '.join(PAPERS)}"
    reader = Reader(open_to_read(config))
    kept = reader.show()
    if kept is None:
        return f"{config.data} holds no show yet: import one first"
    base = (address or _address(config, reader)).rstrip("/")
    if not base.startswith(("http://", "https://")):
        return f"address {address!r}: allowed is http://HOST:PORT or https://HOST:PORT"
    found = labels_of(read_show(kept[1], "show").show, base)
    now = datetime.now(UTC).replace(microsecond=0)
    return label_sheets(found, PAPERS[paper], "Labels", now)._replace(base=base)


def _address(config: Config, reader: Reader) -> str:
    """By the name that a server announced last, else where it was last seen, or would be."""
    return (
        reader.setting(NAMED)
        or reader.setting(ADDRESS)
        or base_url(config.listen_host, config.listen_port, certificate_if_good(config))
    )
