"""Goal: a scraper reads every counter by the rules of its format, and series never multiply.

Method: the text read by the grammar of the exposition format 0.0.4 and the naming rules
(prometheus.io/docs/practices/naming and /docs/instrumenting/exposition_formats, read 2026-11).
"""

import re
from dataclasses import fields, replace

import pytest

from haunt.live.views import Counters
from haunt.site.metrics import COUNTERS, Metric, metrics_of, written
from tests.outside.registry import outside
from tests.site.night import DUSK_MS, a_night
from tests.site.stage import Stage

NAME = re.compile(r"[a-z][a-z0-9_]*")
SAMPLE = re.compile(
    r'(?P<name>[a-z_]+)(?:\{(?P<labels>(?:[a-z]+="(?:[^"\\\n]|\\[\\"n])*",?)+)\})?'
    r" (?P<value>-?\d+(?:\.\d+)?)"
)
UNITS = ("_seconds", "_volts", "_ratio", "_bytes", "_total", "_info")
COUNTED = {"stopped", "open", "boards", "streams"}
"""Gauges of things, not of units: a plain noun, by the same rules."""


def metrics_text(stage: Stage) -> str:
    answer = stage.client.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    return answer.text


def test_every_line_is_of_the_format_and_told_once(stage: Stage) -> None:
    text = metrics_text(stage)
    helped, typed, seen = set(), {}, []
    for line in text.splitlines():
        if line.startswith("# HELP "):
            name, means = line[7:].split(" ", 1)
            assert name not in helped, name
            assert means.endswith(".")
            helped.add(name)
        elif line.startswith("# TYPE "):
            name, kind = line[7:].split(" ")
            typed[name] = kind
        else:
            found = SAMPLE.fullmatch(line)
            assert found is not None, line
            assert list(typed)[-1] == found["name"], "samples stand under their own type"
            seen.append(line.rpartition(" ")[0])
    assert text.endswith("\n")
    assert helped == set(typed)
    assert len(seen) == len(set(seen)) > 30
    outside("metrics/format").agrees(cases=len(text.splitlines()))


def test_names_have_a_prefix_a_base_unit_and_total_where_they_count(stage: Stage) -> None:
    kinds = dict(re.findall(r"# TYPE (\S+) (\S+)", metrics_text(stage)))
    for name, kind in kinds.items():
        assert name.startswith("haunt_")
        assert NAME.fullmatch(name)
        assert name.endswith("_total") is (kind == "counter"), name
        assert not re.search(r"_(ms|mv|percent|milliseconds|count)(_|$)", name), name


def test_every_counter_of_the_night_is_told(stage: Stage) -> None:
    counted = {each.name for each in fields(Counters) if each.type in {int, "int"}}
    assert counted - {"journal_backlog"} == set(COUNTERS)
    text = metrics_text(stage)
    assert all(f"\nhaunt_{name}_total " in f"\n{text}" for name in COUNTERS)


def test_there_are_as_many_series_as_the_show_has_props_and_boards() -> None:
    """What boards and strangers send must not make a new one."""
    night = a_night()

    def series(counters: Counters) -> int:
        view = replace(night, counters=counters)
        return sum(len(each.samples) for each in metrics_of(view, 0, "1", DUSK_MS))

    many = tuple((f"kind-{n}", n) for n in range(500))
    odd = Counters(malformed=9, malformed_by_kind=many, last_malformed="x" * 400)
    assert series(odd) == series(Counters())
    labels = {
        (key, value)
        for metric in metrics_of(night, 0, "1", DUSK_MS)
        for named, _ in metric.samples
        for key, value in named
    }
    allowed = {("prop", each) for each in night.props} | {("board", each) for each in night.boards}
    outcomes = {("outcome", each) for each in ("fired", "refused", "lapsed")}
    assert labels == allowed | outcomes | {("version", "1")}


@pytest.mark.parametrize("text", ['say "boo"', "back\\slash", "two\nlines"])
def test_a_label_is_escaped(text: str) -> None:
    lines = written([Metric("info", "gauge", "x.", (((("version", text),), 1.0),))]).splitlines()
    assert len(lines) == 3
    assert SAMPLE.fullmatch(lines[2]) is not None


def test_an_age_is_in_seconds_and_a_charge_is_a_ratio(stage: Stage) -> None:
    stage.desk.change(at_ms=DUSK_MS - 2500)
    text = metrics_text(stage)

    assert "\nhaunt_view_age_seconds 2.500\n" in text
    assert '\nhaunt_board_charge_ratio{board="b-owl"} 0.800\n' in text
    assert '\nhaunt_board_here{board="b-porter"} 0\n' in text
