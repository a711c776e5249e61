"""Goal: the report of a bad night prints on two sheets of A4.

Method: a night of ten props and eight boards with everything wrong, drawn by the application, its
style sheet put in, printed to PDF by Chromium as a person would; pages are counted in the PDF.
"""

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from haunt.core.show import Show
from haunt.site.assets import web_folder
from haunt.site.ports import Services, Sheet
from haunt.study.nightfacts import Rows, Span, Told
from haunt.study.nightline import NightLine, line_of
from haunt.study.report import NightReport, night_report
from tests.core.stage import prop, sensor, show
from tests.site.stage import a_stage
from tests.study.test_report import MINUTE, OPEN, health, motion, verdict

DAY = "2026-11-01"
PROPS, BOARDS = 10, 8


def a_bad_night() -> NightReport:
    """Packs low, boards restarting, counters short, props that answered nobody, many reasons."""
    reasons = ("cooldown", "playing", "stagger", "held", "offline", "block-time", "quiet-hours")
    of = garden()
    motions = [motion(n / 3, n, f"s{n % PROPS}", f"b{n % PROPS % BOARDS}") for n in range(1, 600)]
    decisions = [
        verdict(n / 3, "refused", reasons[n % len(reasons)], f"p{n % PROPS}") for n in range(1, 600)
    ]
    told = [
        health(minute, 10 * minute, 90 - minute // 3, board=f"b{board}", boot=f"{minute}" * 6,
               reset="brown-out" if board % 2 else "watchdog")
        for board in range(BOARDS - 1)
        for minute in (0, 100, 200)
    ]  # fmt: skip
    rows = Rows(
        motions,
        decisions,
        told,
        alerts=[Told(OPEN + n, f"raised: b{n} is lost") for n in range(60)],
        actions=[Told(OPEN + n, "Mara: hold gate") for n in range(60)],
        starts_ms=[OPEN + n for n in range(12)],
    )
    path = [(f"s{n}", 4.0 * n) for n in range(PROPS)]
    return night_report(DAY, Span(OPEN, OPEN + 240 * MINUTE), of, rows, path)


def garden() -> Show:
    return show(
        *(prop(f"p{n}", f"b{n % BOARDS}") for n in range(PROPS)),
        *(sensor(f"s{n}", f"p{n}", f"b{n % BOARDS}") for n in range(PROPS)),
    )


class Nights:
    def __init__(self, found: NightReport) -> None:
        self._found = found

    def dates(self) -> list[str]:
        return [DAY, "2026-10-31", "2026-10-30", "2026-10-29"]

    def report(self, day: str) -> NightReport | str:
        return self._found if day == DAY else "no such night"

    def sheet(self, day: str, earlier: int) -> Sheet | str:
        return Sheet(self._found, self.lines()[1 : 1 + earlier], {}) if day == DAY else "no night"

    def lines(self) -> list[NightLine]:
        return [replace(line_of(self._found), date=each) for each in self.dates()]


@pytest.mark.browser
def test_the_report_of_a_bad_night_prints_on_two_sheets(tmp_path: Path) -> None:
    found = a_bad_night()
    assert len(found.to_do) > 20

    def dressed(plain: Services) -> Services:
        return replace(plain, nights=Nights(found))

    with a_stage(role="watch", dressed=dressed) as stage:
        text = stage.client.get(f"/nights/{DAY}").text
    style = (web_folder() / "static" / "haunt.css").read_text(encoding="utf-8")
    page = tmp_path / "night.html"
    page.write_text(re.sub(r"<link rel=\"stylesheet\".*?>", f"<style>{style}</style>", text))
    assert "<style>" in page.read_text()
    sheets = tmp_path / "night.pdf"
    subprocess.run(
        ["/usr/bin/chromium", "--headless", "--no-sandbox", "--disable-gpu",
         f"--user-data-dir={tmp_path / 'chromium'}", f"--print-to-pdf={sheets}", page.as_uri()],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip

    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", sheets.read_bytes())) <= 2
