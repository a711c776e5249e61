"""The settings of the whole show as a page shows them, and what every picture of a front shares."""

from collections.abc import Sequence
from typing import NamedTuple

from haunt.site.clocks import seconds
from haunt.site.workports import Work
from haunt.site.workwords import progress_of
from haunt.study.overall import Overall, Whole

WIDTH, HEIGHT, EDGE = 320, 160, 14
"""Units of the picture; the template draws its axes to them."""
PICKS = 7


class Dot(NamedTuple):
    """One setting in the picture: x is what it costs, y what it answers."""

    x: str
    y: str
    kind: str
    label: str
    says: str


def across_of(value: float, among: Sequence[float]) -> str:
    return _scaled(value, among, EDGE, WIDTH - EDGE)


def up_of(value: float, among: Sequence[float]) -> str:
    return _scaled(value, among, HEIGHT - EDGE, EDGE)


def _scaled(value: float, among: Sequence[float], low: float, high: float) -> str:
    least, span = min(among), max(among) - min(among)
    return f"{low + (high - low) * (value - least) / span if span else (low + high) / 2:.1f}"


class Picture(NamedTuple):
    """One picture of the front: what is dear to the right, what is answered upwards."""

    dots: tuple[Dot, ...]
    below: str
    label: str


class ShowRow(NamedTuple):
    """One setting of the show as a page shows it; `at` is its place among all that were tried."""

    at: int
    setting: str
    answered: int
    packs: str
    line: str
    wear: str
    wait: str
    clashes: int
    is_now: bool


class Take(NamedTuple):
    """The setting that is looked at, with what a form sends to take it."""

    row: ShowRow
    said: str
    costs: tuple[str, ...]
    gap_s: str
    scale: str
    factor: str


class ShowFront(NamedTuple):
    is_running: bool
    percent: int
    said: str
    visits: int = 0
    tried: int = 0
    rows: tuple[ShowRow, ...] = ()
    picks: tuple[ShowRow, ...] = ()
    pictures: tuple[Picture, ...] = ()
    take: Take | None = None
    has_line: bool = False


def show_table(found: Work | Overall, wanted: int | None = None) -> ShowFront:
    """Show the front and the show as it is; nothing is recommended."""
    if isinstance(found, Work):
        return ShowFront(*progress_of(found, "settings"))
    has_line = any(each.line_ms is not None for each in found.rows)
    numbered = {at: each for at, each in enumerate(found.rows) if each.on_front or each.is_now}
    order = sorted(numbered, key=lambda at: (-numbered[at].answered, numbered[at].noise_ms))
    rows = tuple(_show_row(at, numbered[at]) for at in order)
    return ShowFront(
        is_running=False,
        percent=100,
        said="",
        visits=found.visits,
        tried=len(found.rows),
        rows=rows,
        picks=_spread(rows, wanted),
        pictures=_pictures(found.rows, wanted, has_line=has_line),
        take=_take(found, wanted),
        has_line=has_line,
    )


def _spread(rows: Sequence[ShowRow], wanted: int | None) -> tuple[ShowRow, ...]:
    """Thin the front to what a thumb can go through: steps that differ in what is answered."""
    step = (rows[0].answered - rows[-1].answered) / PICKS
    found: list[ShowRow] = []
    last = None
    for each in rows:
        is_next = last is None or last - each.answered >= step
        if is_next or each.is_now or each.at == wanted:
            found.append(each)
        if is_next:
            last = each.answered
    return tuple(found)


def _pictures(rows: Sequence[Whole], wanted: int | None, *, has_line: bool) -> tuple[Picture, ...]:
    noise = "minutes at the property line" if has_line else "minutes of sound"
    drawn = "charge drawn, mAh"
    costs = (
        ([each.used_mah for each in rows], drawn, "packs", "{:.0f} mAh"),
        ([each.noise_ms / 60_000 for each in rows], noise, "noise", "{:.1f} min"),
        ([each.wear for each in rows], _wear_name(rows), "wear", "{:.0f}"),
    )
    return tuple(
        Picture(
            _show_dots(rows, values, unit, wanted),
            below,
            f"Visits answered against {what}: {below}",
        )
        for values, below, what, unit in costs
    )


def _wear_name(rows: Sequence[Whole]) -> str:
    return "minutes of motors" if any(each.motor_ms for each in rows) else "starts"


def _show_dots(
    rows: Sequence[Whole], values: Sequence[float], unit: str, wanted: int | None
) -> tuple[Dot, ...]:
    up = [float(each.answered) for each in rows]
    return tuple(
        Dot(
            across_of(value, values),
            up_of(each.answered, up),
            _kind(each, is_wanted=at == wanted),
            "",
            f"{each.answered} answered, {unit.format(value)}",
        )
        for at, (each, value) in enumerate(zip(rows, values, strict=True))
    )


def _kind(each: Whole, *, is_wanted: bool) -> str:
    if is_wanted:
        return "advised"
    if each.is_now:
        return "now"
    return "best" if each.on_front else "beaten"


def _take(found: Overall, wanted: int | None) -> Take | None:
    """Hold a setting against the show as it is; the first row is that."""
    if wanted is None or not 0 < wanted < len(found.rows):
        return None
    now, then = found.rows[0], found.rows[wanted]
    setting = then.setting
    return Take(
        _show_row(wanted, then),
        f"Would have answered {then.answered} instead of {now.answered} of {found.visits} visits.",
        (
            f"Packs: {_packs(then)}; now {_packs(now)}",
            f"{_noise_name(then)}: {minutes(then.noise_ms)}; now {minutes(now.noise_ms)}",
            f"{_wear(then)}; now {_wear(now)}",
            f"Neighbours playing at once: {then.clashes}; now {now.clashes}",
            f"A group waits {then.mean_wait_ms / 1000:.1f} s; now {now.mean_wait_ms / 1000:.1f} s",
        ),
        "" if setting.gap_ms is None else seconds(setting.gap_ms),
        "" if setting.scale_permille is None else f"{setting.scale_permille / 1000:g}",
        "" if setting.phase_permille is None else f"{setting.phase_permille / 1000:g}",
    )


def _show_row(at: int, each: Whole) -> ShowRow:
    return ShowRow(
        at,
        setting_words(each),
        each.answered,
        _packs(each),
        minutes(each.noise_ms),
        _wear(each),
        f"{each.mean_wait_ms / 1000:.1f} s",
        each.clashes,
        each.is_now,
    )


def setting_words(each: Whole) -> str:
    setting = each.setting
    found = []
    if setting.gap_ms is not None:
        found.append(f"stagger {seconds(setting.gap_ms)} s")
    if setting.scale_permille not in {None, 1000}:
        found.append(f"all rests x {(setting.scale_permille or 1000) / 1000:g}")
    if setting.phase_permille is not None:
        found.append(f"every phase factor {setting.phase_permille / 1000:g}")
    return ", ".join(found) or "as it is"


def _packs(each: Whole) -> str:
    """Say whether the packs last till close."""
    if each.flat:
        return f"flat before close: {', '.join(each.flat)}"
    if each.left_percent is None:
        return f"{each.used_mah:.0f} mAh"
    return f"last till close, least {each.left_percent:.0f} %"


def _noise_name(each: Whole) -> str:
    return "Sound" if each.line_ms is None else "At the property line"


def minutes(ms: float) -> str:
    return f"{ms / 60_000:.1f} min"


def _wear(each: Whole) -> str:
    motors = f"motors {minutes(each.motor_ms)}, " if each.motor_ms else ""
    return f"{motors}{each.fired} starts"
