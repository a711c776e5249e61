"""The settings of the whole show as a page shows them, and what every picture of a front shares."""

from collections.abc import Sequence
from typing import NamedTuple

from haunt.site.workports import Work, WorkState
from haunt.study.overall import Overall, Whole

WIDTH, HEIGHT, EDGE = 320, 160, 14
"""Units of the picture; the template draws its axes to them."""


class Dot(NamedTuple):
    """One setting in the picture: x is what it costs, y what it answers."""

    x: str
    y: str
    kind: str
    label: str
    says: str


class NotYet(NamedTuple):
    """Work that goes on, with how far it is, or that failed, with why."""

    is_running: bool
    percent: int
    said: str


def not_yet(work: Work) -> NotYet:
    if work.state is WorkState.FAILED:
        return NotYet(is_running=False, percent=0, said=work.said)
    said = work.said or (f"{work.done} of {work.total} settings" if work.total else "Starting")
    return NotYet(is_running=True, percent=work.percent, said=said)


def across_of(value: float, among: Sequence[float]) -> str:
    return _scaled(value, among, EDGE, WIDTH - EDGE)


def up_of(value: float, among: Sequence[float]) -> str:
    return _scaled(value, among, HEIGHT - EDGE, EDGE)


def _scaled(value: float, among: Sequence[float], low: float, high: float) -> str:
    least, span = min(among), max(among) - min(among)
    return f"{low + (high - low) * (value - least) / span if span else (low + high) / 2:.1f}"


class ShowRow(NamedTuple):
    stagger: str
    cooldowns: str
    phases: str
    answered: int
    wait: str
    clashes: int
    pack: str
    loud: str
    duty: str
    is_now: bool


class ShowFront(NamedTuple):
    is_running: bool
    percent: int
    said: str
    visits: int = 0
    tried: int = 0
    rows: tuple[ShowRow, ...] = ()
    dots: tuple[Dot, ...] = ()


def show_table(found: Work | Overall) -> ShowFront:
    """Show the front and the show as it is; nothing is recommended."""
    if isinstance(found, Work):
        return ShowFront(*not_yet(found))
    shown = sorted(
        (each for each in found.rows if each.on_front or each.is_now),
        key=lambda each: (-each.answered, each.loud_ms),
    )
    across = [float(each.loud_ms) for each in found.rows]
    up = [float(each.answered) for each in found.rows]
    dots = tuple(
        Dot(
            across_of(each.loud_ms, across),
            up_of(each.answered, up),
            "now" if each.is_now else "best" if each.on_front else "beaten",
            "",
            f"{each.answered} answered, {each.loud_ms / 60_000:.0f} min of sound",
        )
        for each in found.rows
    )
    rows = tuple(_show_row(each) for each in shown)
    return ShowFront(False, 100, "", found.visits, len(found.rows), rows, dots)


def _show_row(each: Whole) -> ShowRow:
    setting = each.setting
    pack = "" if each.left_percent is None else f"{each.left_percent:.0f} %"
    return ShowRow(
        "as now" if setting.gap_ms is None else f"{seconds(setting.gap_ms)} s",
        _times(setting.scale_permille),
        _times(setting.phase_permille),
        each.answered,
        f"{each.mean_wait_ms / 1000:.1f} s",
        each.clashes,
        f"{pack} flat: {', '.join(each.flat)}" if each.flat else pack,
        f"{each.loud_ms / 60_000:.0f} min",
        f"{100 * each.worst_duty:.0f} %",
        each.is_now,
    )


def _times(permille: int | None) -> str:
    return "as now" if permille is None else f"x {permille / 1000:g}"


def seconds(ms: int) -> str:
    return f"{ms / 1000:g}"
