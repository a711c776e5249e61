"""The whole look at one show file: all checks, each finding with its place, as values and JSON."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from haunt.core.calendar import Sunset, no_sunset
from haunt.study.findings import (
    flashes,
    inputs,
    motions,
    motors,
    packs,
    sounds,
    supplies,
    timing,
    wires,
    wiring,
)
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import Finding, Items, PackForecast, Severity, Unchecked
from haunt.study.findings.needs import Need
from haunt.wire.showfile import ReadShow
from haunt.wire.showlines import Path
from haunt.wire.showmodels import ShowFile
from haunt.workshop.cautions import Topic

CHECKS: Final[tuple[Callable[[Ground], Items], ...]] = (
    packs.checks,
    inputs.checks,
    wires.checks,
    motors.checks,
    supplies.checks,
    wiring.checks,
    motions.checks,
    sounds.checks,
    flashes.checks,
    timing.checks,
)
RANK: Final = {Severity.MUST: 0, Severity.SHOULD: 1, Severity.NOTE: 2}
IDS_LISTED = 6
LITHIUM: Final = frozenset({"lipo", "li-ion", "lco", "nmc", "nca", "lifepo4", "lfp"})


@dataclass(frozen=True, slots=True)
class Placed:
    """A finding with where it stands; line 0 where the show did not come as text."""

    finding: Finding
    line: int
    key: str


@dataclass(frozen=True, slots=True)
class NotChecked:
    """One need, told once, with all that would be checked by it."""

    need: Need
    ids: tuple[str, ...]

    @property
    def whose(self) -> str:
        shown = ", ".join(self.ids[:IDS_LISTED])
        rest = len(self.ids) - IDS_LISTED
        return f"{shown} and {rest} more" if rest > 0 else shown


@dataclass(frozen=True, slots=True)
class Book:
    """Findings, worst first and then in the order of the file."""

    file: str
    findings: tuple[Placed, ...]
    unchecked: tuple[NotChecked, ...]
    packs: tuple[PackForecast, ...]
    inherent: tuple[Topic, ...] = ()

    def of(self, severity: Severity) -> list[Placed]:
        return [each for each in self.findings if each.finding.severity is severity]

    @property
    def cautions(self) -> list[Topic]:
        """What the show has in it, and what findings and missing measurements touch."""
        touched = {*self.inherent, *(each.finding.caution for each in self.findings)}
        touched |= {each.need.caution for each in self.unchecked}
        return [topic for topic in Topic if topic in touched]


def look(read: ReadShow, sunset: Sunset = no_sunset) -> Book:
    """Run every check over a show file."""
    ground = Ground(read, sunset)
    found = [item for check in CHECKS for item in check(ground)]
    findings = dict.fromkeys(each for each in found if isinstance(each, Finding))
    placed = [
        Placed(each, read.places.line_of(each.path), key_text(each.path, read.raw))
        for each in findings
    ]
    placed.sort(key=lambda each: (RANK[each.finding.severity], each.line))
    return Book(
        read.file,
        tuple(placed),
        _gathered(each for each in found if isinstance(each, Unchecked)),
        tuple(each for each in found if isinstance(each, PackForecast)),
        tuple(_inherent(read.show)),
    )


def _inherent(show: ShowFile) -> Iterator[Topic]:
    """What can hurt in this show whether or not a sum comes out right."""
    if any(b.battery is not None and b.battery.chemistry in LITHIUM for b in show.boards):
        yield Topic.LITHIUM
    if show.circuits:
        yield Topic.MAINS
    if any(each.kind == "air" for each in show.supplies):
        yield Topic.AIR
    if any(each.kind == "fog" for each in show.supplies):
        yield Topic.FOG
    behaviours = [each for prop in show.props for each in prop.behaviours]
    if any(prop.motor is not None for prop in show.props) or any(b.motor_on_ms for b in behaviours):
        yield Topic.MOTION
    if any(each.flash_hz for each in behaviours):
        yield Topic.STROBE


def _gathered(found: Iterable[Unchecked]) -> tuple[NotChecked, ...]:
    by_need: dict[Need, dict[str, None]] = {}
    for each in found:
        by_need.setdefault(each.need, {})[each.about.id] = None
    return tuple(NotChecked(need, tuple(ids)) for need, ids in by_need.items())


def key_text(path: Path, raw: object) -> str:
    """`prop[gatekeeper].cooldown_s`; tables without an id are counted from 1."""
    said, node = "", raw
    for step in path:
        if isinstance(step, int):
            node = node[step] if isinstance(node, list) and step < len(node) else None
            name = node.get("id") if isinstance(node, dict) else None
            said += f"[{name if isinstance(name, str) else step + 1}]"
        else:
            node = node.get(step) if isinstance(node, dict) else None
            said += f"{'.' if said else ''}{step}"
    return said


def as_json(book: Book) -> dict[str, Any]:
    return {
        "file": book.file,
        "counts": {str(each): len(book.of(each)) for each in Severity},
        "findings": [_finding_json(each) for each in book.findings],
        "not_checked": [
            {
                "needs": each.need.keys,
                "for": each.need.settles,
                "of": list(each.ids),
                "how": each.need.how,
                "caution": each.need.caution,
            }
            for each in book.unchecked
        ],
        "packs": [_pack_json(each) for each in book.packs],
    }


def _finding_json(placed: Placed) -> dict[str, Any]:
    found = placed.finding
    figure = found.figure
    return {
        "severity": str(found.severity),
        "check": found.check,
        "line": placed.line,
        "key": placed.key,
        "about": {"kind": found.about.kind, "id": found.about.id},
        "value": None if figure is None else round(figure.value.at, 3),
        "low": None if figure is None else round(figure.value.low, 3),
        "high": None if figure is None else round(figure.value.high, 3),
        "limit": None if figure is None else round(figure.limit, 3),
        "margin": None if figure is None else round(figure.margin, 3),
        "unit": None if figure is None else figure.unit,
        "why": found.why,
        "mend": found.mend,
        "caution": found.caution,
    }


def _pack_json(of: PackForecast) -> dict[str, Any]:
    found = of.forecast
    return {
        "board": of.board,
        "night_h": round(found.night_h, 2),
        "takes_mah": [round(each) for each in (found.takes.at, found.takes.low, found.takes.high)],
        "gives_mah": [round(each) for each in (found.gives.at, found.gives.low, found.gives.high)],
        "lasts_till_close": round(found.sure, 3),
        "assumed": list(of.assumed),
        "starts": [
            {
                "prop": each.prop,
                "behaviour": each.behaviour,
                "mah": round(each.mah, 3),
                "mwh": round(each.mwh, 2),
            }
            for each in of.charges
        ],
    }
