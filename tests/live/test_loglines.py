"""Goal: one search in the log follows a motion from its arrival to what the board made of it.

Method: bytes into a running night on a virtual clock; its journal's records, logged as at commit.
"""

import io
import json
import logging
from collections.abc import Iterator

import pytest

from haunt.bootstrap.logs import ROOT, set_up
from haunt.core.decisions import MotionKey, Source
from haunt.live.loglines import LogLine, Told, lines_of
from haunt.live.ports import Record, ReportRow
from tests.live.test_running_night import BOOT, Evening
from tests.store.stage import decision

KEY = f"b1-{BOOT}-1"


class Kept:
    """A journal's listener that only counts."""

    def __init__(self) -> None:
        self.committed_count = self.lost_count = 0

    def committed(self, records: list[Record]) -> None:
        self.committed_count += len(records)

    def lost(self, records: list[Record]) -> None:
        self.lost_count += len(records)


@pytest.fixture
def quiet() -> Iterator[None]:
    yield
    set_up("warnings", io.StringIO())


def a_night() -> list[Record]:
    """A motion that fires and is played to its end, and one in the rest that is refused."""
    evening = Evening().begin()
    evening.motion(1)
    for state in ("started", "finished"):
        evening.tell("b1/report", cue=f"{KEY}-gate", boot=BOOT, state=state)
        evening.wait(3000)
    evening.motion(2)
    evening.wait(60_000)
    return evening.journal.records


def logged(kind: str, records: list[Record], *, kept: bool = True) -> list[str]:
    stream = io.StringIO()
    set_up(kind, stream)
    told = Told(Kept())
    (told.committed if kept else told.lost)(records)
    return stream.getvalue().splitlines()


@pytest.mark.usefixtures("quiet")
def test_one_search_finds_motion_verdict_cue_and_reports_in_order() -> None:
    found = [line for line in logged("text", a_night()) if KEY in line]

    assert [line.split()[2] for line in found] == ["motion", "decision", "cue", "report", "report"]
    assert f"motion id={KEY} sensor=pir age_ms=0" in found[0]
    assert f"outcome=fired waited_ms=0 cue={KEY}-gate" in found[1]
    assert "state=started" in found[3]
    assert "state=finished" in found[4]


@pytest.mark.usefixtures("quiet")
def test_a_refusal_names_its_rule_and_by_how_much() -> None:
    [line] = [each for each in logged("text", a_night()) if f"decision motion=b1-{BOOT}-2" in each]
    assert "outcome=refused why=" in line
    assert "margin=" in line


@pytest.mark.usefixtures("quiet")
def test_programs_get_an_object_a_line() -> None:
    found = [json.loads(line) for line in logged("json", a_night())]
    [fired] = [each for each in found if each["what"] == "decision" and each["outcome"] == "fired"]

    assert (fired["motion"], fired["cue"], fired["source"]) == (KEY, f"{KEY}-gate", "motion")
    assert fired["level"] == "info"


@pytest.mark.usefixtures("quiet")
def test_what_could_not_be_kept_says_so() -> None:
    found = logged("text", a_night(), kept=False)
    assert found
    assert all(line.endswith("kept=no") for line in found)


@pytest.mark.usefixtures("quiet")
def test_warnings_alone_write_nothing_of_the_night() -> None:
    stream = io.StringIO()
    set_up("warnings", stream)
    listener = Kept()
    Told(listener).committed(a_night())

    assert stream.getvalue() == ""
    assert listener.committed_count > 3, "what the log does is beside the point"
    assert not logging.getLogger(ROOT).handlers


def test_what_a_board_says_cannot_make_a_second_line() -> None:
    record = Record(1, 1, 1, report=ReportRow("b1", "c\nmotion id=x", BOOT, "refused", 'a "b" c'))
    [line] = lines_of(record)

    assert "\n" not in str(line)
    assert r'cue="c\nmotion id=x"' in str(line)
    assert str(LogLine("x", (("a", None), ("b", 1)))) == "x b=1"


def test_a_decision_without_a_motion_says_where_it_came_from() -> None:
    by_hand = decision(1, motion=None, source=Source.HAND, sensor=None)
    [line] = lines_of(Record(1, 1, 1, decisions=(by_hand,)))
    assert str(line).startswith("decision source=hand prop=gate outcome=fired")
    of_motion = decision(1, motion=MotionKey("b1", BOOT, 7))
    [line] = lines_of(Record(1, 1, 1, decisions=(of_motion,)))
    assert f"motion=b1-{BOOT}-7" in str(line)
