"""`haunt move`: everything of a data folder's database into an empty one of another kind or place.

The folder is had alone meanwhile, and the database that was left is not changed.
"""

import json
from typing import NamedTuple

from haunt.bootstrap.folder import alone
from haunt.bootstrap.offline import opened_store
from haunt.config import Config
from haunt.mqtt.credentials import write_private
from haunt.store.engines import opened, same_place
from haunt.store.refusal import StoreRefused
from haunt.store.transfer import Counted, move


class Moved(NamedTuple):
    """`named_in` is the file that names the database from now on, empty where a person must."""

    counted: list[Counted]
    named_in: str
    said: str


def move_to(config: Config, url: str) -> Moved:
    """Raises StoreRefused, and nothing was moved then."""
    if same_place(config.data, config.database, url):
        raise StoreRefused("that is the database it is in already")
    with (
        alone(config.data),
        opened_store(config) as (source, _),
        opened(config.data, url) as (target, _),
    ):
        counted = move(source, target)
        named_in = _name(config, url)
    rows = sum(each.here for each in counted)
    if named_in:
        said = f"{rows} rows were moved; {named_in} names the new database from now on"
    else:
        said = f"{rows} rows were moved; name the new database from now on: --database"
    return Moved(counted, named_in, said)


def _name(config: Config, url: str) -> str:
    """Add the line where it was not said before; whoever says it elsewhere changes it there."""
    if dict(config.origin).get("database", "default") != "default":
        return ""
    settings = config.data / "haunt.toml"
    before = settings.read_text(encoding="utf-8") if settings.exists() else ""
    line = f"database = {json.dumps(url, ensure_ascii=False)}\n"
    # Before any table that somebody may have begun; there may be a password in it.
    write_private(settings, line + before)
    return str(settings)
