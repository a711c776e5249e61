"""What a look at a show file can come to: findings, what was not checked, and forecasts. Values."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, TypeAlias

from haunt.study.findings.needs import Need
from haunt.wire.showlines import Path
from haunt.workshop.band import Band
from haunt.workshop.cautions import Topic
from haunt.workshop.runtime import Forecast


class Severity(StrEnum):
    """`MUST` is mended before anybody comes near, `SHOULD` before the night, `NOTE` is known."""

    MUST = "must"
    SHOULD = "should"
    NOTE = "note"


class About(NamedTuple):
    """Whose finding it is: kind of table and id."""

    kind: str
    id: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its doubt, against its limit; `at_least` where more is better."""

    value: Band
    limit: float
    unit: str
    at_least: bool = False

    @classmethod
    def of(cls, value: float, limit: float, unit: str, *, at_least: bool = False) -> "Figure":
        return cls(Band.exact(value), limit, unit, at_least)

    @property
    def margin(self) -> float:
        """How far on the good side; negative where the limit is passed."""
        over = self.value.at - self.limit
        return over if self.at_least else -over


@dataclass(frozen=True, slots=True)
class Finding:
    """`check` is the finding's stable name. `why` and `mend` are sentences."""

    severity: Severity
    check: str
    path: Path
    about: About
    why: str
    mend: str
    figure: Figure | None = None
    caution: Topic | None = None


@dataclass(frozen=True, slots=True)
class Unchecked:
    """Something that could not be summed, for want of a key of the show file."""

    need: Need
    about: About


@dataclass(frozen=True, slots=True)
class BehaviourCharge:
    """What one start takes of the pack."""

    prop: str
    behaviour: str
    mah: float
    mwh: float


@dataclass(frozen=True, slots=True)
class PackForecast:
    """`assumed` are the inputs that nobody gave, in words."""

    board: str
    forecast: Forecast
    charges: tuple[BehaviourCharge, ...]
    groups_per_hour: Band
    assumed: tuple[str, ...]


Item: TypeAlias = Finding | Unchecked | PackForecast
Items: TypeAlias = Iterator[Item]


def chance(sure: float) -> str:
    """No forecast of a night is surer than this."""
    if sure > 0.99:
        return "over 0.99"
    return "under 0.01" if sure < 0.01 else f"= {sure:.2f}"
