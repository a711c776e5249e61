"""Advice as lines for a terminal."""

from collections.abc import Iterator, Sequence

from haunt.study.advice import Advice, Tried
from haunt.study.comparison import as_it_is, at, side_by_side
from haunt.study.overall import Overall, Whole
from haunt.study.reading import MISREAD
from haunt.study.rerun import LIMITS


def lines(found: Sequence[Advice], *, table: bool, rest_s: float | None) -> list[str]:
    if rest_s is not None:
        return side_lines(found, rest_s)
    return tried_lines(found) if table else advice_lines(found)


def side_lines(found: Sequence[Advice], rest_s: float) -> list[str]:
    """Return a table a prop: every figure of now beside that of another rest."""
    rows = []
    for each in found:
        now, then = as_it_is(each), at(each, rest_s)
        rows.append(f"{each.prop}: {each.visits} groups")
        head = (f"{now.cooldown_ms / 1000:g} s now", f"{then.cooldown_ms / 1000:g} s")
        rows.append(f"  {'rest':32} {head[0]:>10} {head[1]:>10}")
        rows += [f"  {s.what:32} {s.now:>10} {s.then:>10}" for s in side_by_side(now, then)]
        rows += [f"  not advised: {then.bars}"] if then.bars and then is not now else []
    return [*rows, *_limits()]


def advice_lines(found: Sequence[Advice]) -> list[str]:
    return [*(line for each in found for line in _advice(each)), *_limits()]


def _advice(advice: Advice) -> Iterator[str]:
    then = "change nothing" if advice.cooldown_ms is None else f"{advice.cooldown_ms / 1000:g} s"
    if advice.patience_ms is not None:
        then += f", patience {advice.patience_ms / 1000:g} s"
    yield f"{advice.prop:20} {advice.now_ms / 1000:6g} s -> {then:16} {advice.why}"
    if advice.cooldown_ms is not None:
        yield (
            f"{'':20} {advice.gain} more ({advice.low} to {advice.high}), sure {advice.sure:.0%} "
            f"by {advice.blocks} {'nights' if advice.by_night else 'half hours'}, "
            f"{advice.used_more_mah:+.0f} mAh a night"
        )


def tried_lines(found: Sequence[Advice]) -> list[str]:
    """Return a table a prop: every setting that was tried, a star where no other beats it."""
    head = (
        f"  {'rest':>6} {'patience':>8} {'answered':>9} {'fired':>6} {'wait':>6} {'pack':>6} "
        f"{'noise':>8} {'motor':>8} {'duty':>5}"
    )
    rows = []
    for each in found:
        rows += [f"{each.prop}: {each.visits} groups", head]
        rows += [_tried(one, each) for one in each.tried]
    return [*rows, "* no other answers as many for as little", *_limits()]


def _tried(tried: Tried, advice: Advice) -> str:
    is_now = tried.cooldown_ms == advice.now_ms and tried.patience_ms is None
    wait_s = tried.waited_ms / 1000 / tried.answered if tried.answered else 0
    patience = "as now" if tried.patience_ms is None else f"{tried.patience_ms / 1000:g} s"
    pack = "-" if tried.left_percent is None else f"{tried.left_percent:.0f} %"
    note = "now" if is_now else tried.bars
    return (
        f"{'*' if tried.on_front else ' '} {tried.cooldown_ms / 1000:4g} s {patience:>8} "
        f"{tried.answered:>9} {tried.fired:>6} {wait_s:>4.1f} s {pack:>6} "
        f"{_minutes(tried.noise_ms)} {_minutes(tried.motor_ms)} {tried.worst_duty:>5.2f}  {note}"
    )


def front_lines(found: Overall) -> list[str]:
    head = (
        f"  {'cooldowns':>9} {'stagger':>8} {'phases':>7} {'answered':>9} {'wait':>6} "
        f"{'clashes':>7} {'pack':>6} {'noise':>8} {'motor':>8} {'duty':>5}"
    )
    rows = [_whole(each) for each in found.rows if each.is_now or each.on_front]
    return [
        f"{found.visits} visits; what no other setting beats in every way, of {len(found.rows)}",
        head,
        *rows,
        *_limits(),
    ]


def _whole(row: Whole) -> str:
    setting = row.setting
    gap = "as now" if setting.gap_ms is None else f"{setting.gap_ms / 1000:g} s"
    phases = "as now" if setting.phase_permille is None else f"x {setting.phase_permille / 1000:g}"
    pack = "-" if row.left_percent is None else f"{row.left_percent:.0f} %"
    flat = f"  flat: {', '.join(row.flat)}" if row.flat else ""
    scale = f"x {(setting.scale_permille or 1000) / 1000:g}"
    return (
        f"{'*' if row.on_front else ' '} {scale:>9} "
        f"{gap:>8} {phases:>7} {row.answered:>9} {row.mean_wait_ms / 1000:>4.1f} s "
        f"{row.clashes:>7} {pack:>6} {_minutes(row.noise_ms)} {_minutes(row.motor_ms)} "
        f"{row.worst_duty:>5.2f}"
        f"{'  now' if row.is_now else ''}{flat}"
    )


def _minutes(ms: float) -> str:
    return f"{ms / 60_000:>4.1f} min"


def _limits() -> list[str]:
    return [
        "What this cannot know:",
        *(f"- {each}" for each in LIMITS),
        "What is easily misread:",
        *(f"- {each}" for each in MISREAD),
    ]
