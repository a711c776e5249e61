"""The counters of the night as a scraper reads them: names, units and labels by Prometheus' rules.

Labels are ids of the show file only: there are as many series as it has props and boards, whatever
visitors, boards and strangers send.
"""

from collections.abc import Iterable, Iterator
from typing import Final, Literal, NamedTuple

from haunt.live.views import NightView

CONTENT_TYPE: Final = "text/plain; version=0.0.4"
Kind = Literal["counter", "gauge"]
Labels = tuple[tuple[str, str], ...]
_NONE: Final[Labels] = ()


class Metric(NamedTuple):
    """A name without its prefix, and its samples: labels and value."""

    name: str
    kind: Kind
    means: str
    samples: tuple[tuple[Labels, float], ...]


COUNTERS: Final = {
    "motions": "Motions taken since the start, each once.",
    "duplicates": "Motions that came again and were known already.",
    "malformed": "Messages of boards that could not be read.",
    "unknown_ids": "Messages of boards, sensors or topics that the show does not have.",
    "queue_dropped": "Messages dropped because too many waited.",
    "not_journalled": "Motions acknowledged before they were kept.",
    "late_wills": "Last wills of connections that were not the latest.",
    "odd_reports": "Reports of boards that fit nothing that was asked.",
    "fired": "Decisions that started a behaviour.",
    "refused": "Decisions that refused.",
    "lapsed": "Decisions that came too late.",
    "alerts_sent": "Alerts sent to somebody else's address.",
    "alerts_dropped": "Alerts that could not be sent.",
}
"""What is counted since the start, by its name in the view."""


def written(metrics: Iterable[Metric]) -> str:
    return "".join(line for each in metrics for line in _lines(each))


def metrics_of(view: NightView, streams: int, version: str, now_ms: int) -> Iterator[Metric]:
    counters = view.counters
    for name, means in COUNTERS.items():
        yield _one(f"{name}_total", "counter", means, getattr(counters, name))
    yield _one(
        "journal_backlog", "gauge", "Records that wait for the disk.", counters.journal_backlog
    )
    yield _one("stopped", "gauge", "1 while stop is latched.", view.stopped)
    yield _one("open", "gauge", "1 while the doors are open.", view.open)
    yield _one("broker_up", "gauge", "1 while there is a link to the broker.", view.link_up)
    yield _one("rules_broken", "gauge", "1 when an invariant was broken.", bool(view.broken))
    yield _one(
        "journal_failing", "gauge", "1 while nothing is kept.", bool(counters.journal_failing)
    )
    age_s = max(0, now_ms - view.at_ms) / 1000
    yield _one("view_age_seconds", "gauge", "How old what pages show is.", age_s)
    yield _one("streams", "gauge", "Pages and programs that listen to live news.", streams)
    yield _one(
        "alerts_open", "gauge", "Alerts that are open.", len(view.alerts) + view.alerts_left_out
    )
    yield from _by_prop(view)
    yield from _by_board(view)
    yield Metric("info", "gauge", "This program.", (((("version", version),), 1),))


def _by_prop(view: NightView) -> Iterator[Metric]:
    yield Metric(
        "prop_decisions_total",
        "counter",
        "Decisions by prop and outcome.",
        tuple(
            ((("prop", prop.id), ("outcome", outcome)), count)
            for prop in view.props.values()
            for outcome, count in (
                ("fired", prop.fired),
                ("refused", prop.refused),
                ("lapsed", prop.lapsed),
            )
        ),
    )


def _by_board(view: NightView) -> Iterator[Metric]:
    boards = view.boards.values()
    yield _one("boards", "gauge", "Boards of the show.", len(view.boards))
    yield _one(
        "boards_here", "gauge", "Boards that are present.", sum(each.here for each in boards)
    )
    told: tuple[tuple[str, str, list[tuple[str, float]]], ...] = (
        ("board_here", "1 while a board is present.", [(b.id, float(b.here)) for b in boards]),
        (
            "board_charge_ratio",
            "Charge of a board's pack, 0 to 1.",
            [(b.id, b.charge_percent / 100) for b in boards if b.charge_percent is not None],
        ),
        (
            "board_battery_volts",
            "Voltage that a board last told.",
            [(b.id, b.battery_mv / 1000) for b in boards if b.battery_mv is not None],
        ),
        (
            "board_last_heard_timestamp_seconds",
            "When a board was last heard, since 1970.",
            [(b.id, b.last_heard_ms / 1000) for b in boards if b.last_heard_ms is not None],
        ),
    )
    for name, means, values in told:
        samples = tuple(((("board", board),), value) for board, value in values)
        yield Metric(name, "gauge", means, samples)


def _one(name: str, kind: Kind, means: str, value: float) -> Metric:
    return Metric(name, kind, means, ((_NONE, value),))


def _lines(metric: Metric) -> Iterator[str]:
    name = f"haunt_{metric.name}"
    yield f"# HELP {name} {metric.means}\n# TYPE {name} {metric.kind}\n"
    for labels, value in metric.samples:
        named = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels)
        yield f"{name}{f'{{{named}}}' if named else ''} {_number(value)}\n"


def _number(value: float) -> str:
    """Whole numbers without a point; others to a millisecond or a thousandth."""
    return f"{int(value)}" if value == int(value) else f"{value:.3f}"


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
