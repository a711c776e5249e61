"""A show file kept in memory, version by version: checked like the real one, run by nobody."""

from collections.abc import Callable

from haunt.site.ports import KeptShow, ShowMovedOn
from haunt.wire.showfile import read_show

SHOW = """
[show]
id = "yard"
time_zone = "UTC"

[[phase]]
name = "gentle"
from = "17:00"
to = "18:30"

[[phase]]
name = "full"
from = "18:30"
to = "22:00"

[[board]]
id = "b1"

[[prop]]
id = "gate"
board = "b1"
cooldown_s = 20      # the first impression

[[prop.behaviour]]
id = "growl"
duration_s = 4
"""


class Shelf:
    """Satisfies `ports.ShowKeeper`, as far as settings go; others may write `in_between`."""

    def __init__(self, text: str = SHOW) -> None:
        self.versions = [text]
        self.by: list[str] = []
        self.in_between: Callable[[], None] = lambda: None

    def toml(self) -> str:
        return self.versions[-1]

    def kept(self) -> KeptShow:
        found = KeptShow(len(self.versions), self.versions[-1])
        self.in_between()
        return found

    def as_json(self) -> dict[str, object]:
        return {}

    def put(self, text: str, by: str, on: int | None = None) -> int:
        if on is not None and on != len(self.versions):
            raise ShowMovedOn(len(self.versions))
        read_show(text, "show")
        self.versions.append(text)
        self.by.append(by)
        return len(self.versions)

    def patch_prop(self, prop: str, values: dict[str, object], by: str) -> int:
        raise NotImplementedError

    def cooldown_s(self) -> float:
        return read_show(self.versions[-1], "show").show.props[0].cooldown_ms / 1000
