"""Goal: a phone shows what another rest would have given, sets it now or later, and takes it back.

Method: the application over books that hold one weighed prop; without scripts, then as htmx.
"""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from haunt.site.ports import Services
from haunt.site.workports import Pending, Then, Value, Was, Work, WorkState
from haunt.study.advice import NO_GAIN, PACK, Advice, Tried
from haunt.study.overall import Overall, Whole
from haunt.study.sweep import Setting
from tests.site.night import DUSK_MS
from tests.site.shelf import SHOW, Shelf
from tests.site.stage import HTMX, OWN, Stage, a_stage

RUNNING = Work(WorkState.RUNNING, 3, 14)


def tried(rest_s: int, answered: int, left: float | None, bars: str = "", **more: int) -> Tried:
    return Tried(
        1000 * rest_s, answered, answered + 2, 400.0 - rest_s, 60_000 * answered // 4, 0.05,
        None, 500 * answered, left_percent=left, on_front=rest_s != 40, bars=bars,
        refused={"cooldown": 58 - answered}, **more,
    )  # fmt: skip


def advised(rest_s: int | None = 20) -> Advice:
    rows = (
        tried(4, 33, 12, PACK),
        tried(20, 31, 22),
        tried(30, 24, 31),
        tried(40, 22, 33, NO_GAIN),
    )
    why = "answers 31 instead of 24 of 58 groups" if rest_s else PACK
    ms = None if rest_s is None else 1000 * rest_s
    more = (7, 3, 11, 0.97, 10.0) if rest_s else (0, 0, 0, 0.0, 0.0)
    return Advice("owl", 30_000, ms, 58, 24, *more, why, rows, days=("2026-10-30",), blocks=9)


def whole() -> Overall:
    rows = (
        Whole(Setting(), 300, 320, 900, 20, 900.0, 40.0, (), 3_600_000, 0.1, is_now=True),
        Whole(
            Setting(gap_ms=0, scale_permille=500), 350, 400, 500, 90, 990.0, 4.0, ("b-owl",),
            5_400_000, 0.2, on_front=True,
        ),
        Whole(Setting(gap_ms=8000), 250, 260, 900, 0, 800.0, 50.0, (), 2_000_000, 0.1),
    )  # fmt: skip
    return Overall(("2026-10-30",), 400, rows)


class Tunes:
    """Satisfies `workports.TuneBook`."""

    def __init__(self) -> None:
        self.found: Work | Advice = advised()
        self.asked: list[tuple[str, int]] = []
        self.then = Then("", 1, ((Value("prop", "gate", "cooldown_s", 20.0), 25.0),))

    def weigh(self, prop: str, nights: int = 1) -> Work | Advice:
        self.asked.append((prop, nights))
        return self.found

    def weigh_show(self, nights: int = 1) -> Work | Overall:
        self.asked.append(("", nights))
        return whole() if isinstance(self.found, Advice) else self.found

    def history(self, prop: str) -> list[Was]:
        return [Was(DUSK_MS, "Jory", 30_000), Was(DUSK_MS - 86_400_000, "Mara", 45_000)][
            : len(prop)
        ]

    def earlier(self) -> list[Then]:
        changes = (
            (Value("prop", "owl", "cooldown_s", 45.0), 30.0),
            (Value("phase", 1, "cooldown_factor", 1.5), None),
        )
        return [Then("2026-10-30", 7, ()), Then("2026-10-29", 4, changes)]

    def settings_of(self, version: int) -> Then | None:
        return self.then if version == 1 else None


class Later:
    """Satisfies `workports.LaterBook`."""

    def __init__(self) -> None:
        self.kept: dict[str, Pending] = {}
        self.planned: tuple[int, str] | None = (DUSK_MS + 2_400_000, "late")

    def pending(self) -> list[Pending]:
        return list(self.kept.values())

    def next_phase(self) -> tuple[int, str] | None:
        return self.planned

    def add(self, prop: str, cooldown_ms: int, by: str) -> Pending:
        assert self.planned is not None
        self.kept[prop] = Pending(prop, cooldown_ms, by, DUSK_MS, *self.planned)
        return self.kept[prop]

    def cancel(self, prop: str) -> bool:
        return self.kept.pop(prop, None) is not None


class Bench:
    """The stage with the books that stand on it; made anew for every test, the stage once."""

    stage: Stage

    def __init__(self) -> None:
        self.tunes, self.later = Tunes(), Later()
        self.shelf = Shelf(SHOW.replace("cooldown_s = 20", "cooldown_s = 25"))

    def dressed(self, plain: Services) -> Services:
        return replace(plain, tunes=self.tunes, later=self.later, keeper=self.shelf)

    def anew(self) -> None:
        fresh = Bench()
        for mine, other in ((self.tunes, fresh.tunes), (self.later, fresh.later)):
            vars(mine).update(vars(other))
        vars(self.shelf).update(vars(fresh.shelf))
        self.stage.become("crew")

    def get(self, path: str) -> str:
        answer = self.stage.client.get(path)
        assert answer.status_code == 200, answer.text
        return " ".join(answer.text.split())


@pytest.fixture(scope="module")
def opened() -> Iterator[Bench]:
    found = Bench()
    with a_stage(role="crew", dressed=found.dressed) as stage:
        found.stage = stage
        yield found


@pytest.fixture
def bench(opened: Bench) -> Bench:
    opened.anew()
    return opened


# --- what another rest would have given


def test_the_page_asks_for_the_weighing_and_has_a_link_without_scripts(bench: Bench) -> None:
    page = bench.get("/tune/owl")

    assert 'hx-get="/tune/owl/weighed?nights=1"' in page
    assert 'href="/tune/owl?weigh=1&amp;nights=1"' in page
    assert bench.tunes.asked == []


def test_the_advised_rest_is_shown_first_in_one_sentence(bench: Bench) -> None:
    page = bench.get("/tune/owl?weigh=1")

    assert (
        "Would have answered 31 instead of 24 of 58 groups last night; "
        "pack at close 22 % instead of 31 %."
    ) in page
    assert "Use 20 s now" in page
    assert "+3 to +11 groups, 97% sure, by 9 half hours." in page


def test_steppers_lead_to_the_next_rest_that_was_tried(bench: Bench) -> None:
    page = bench.get("/tune/owl?try_s=21")  # the nearest is 20
    assert 'href="/tune/owl?try_s=4&amp;nights=1#weighed"' in page
    assert 'href="/tune/owl?try_s=30&amp;nights=1#weighed"' in page

    least = bench.get("/tune/owl?try_s=4")
    assert "try_s=20" in least
    assert 'aria-label="Shorter' not in least


def test_a_rest_that_breaks_a_limit_says_so_beside_its_figures(bench: Bench) -> None:
    page = bench.get("/tune/owl/weighed?try_s=4")

    assert f"Not advised: {PACK}." in page
    assert "pack at close 12 % instead of 31 %" in page
    assert ">pack too low" in page


def test_every_figure_stands_beside_that_of_now(bench: Bench) -> None:
    page = bench.get("/tune/owl/weighed?try_s=20")
    for row in ('<th scope="row">refused: cooldown<td>34<td>27', "groups answered<td>24<td>31"):
        assert row in page


def test_nothing_to_change_is_an_answer(bench: Bench) -> None:
    bench.tunes.found = advised(None)
    page = bench.get("/tune/owl/weighed")

    assert "Advice: change nothing. Its pack would not last till close." in page
    assert "As it is: answered 24 of 58 groups last night" in page
    assert "Use 30 s now" not in page


def test_its_limits_stand_beside_the_table(bench: Bench) -> None:
    page = bench.get("/tune/owl/weighed")
    assert "A hint, no promise. People walk as they did" in page


def test_the_picture_says_by_shape_what_is_now_and_what_is_advised(bench: Bench) -> None:
    page = bench.get("/tune/owl/weighed")
    picture = page[page.index('<svg class="front"') : page.index("</svg>", page.index("front"))]

    assert picture.count("<title>") == 4
    assert '<g class="now"><title>30 s: 24 answered, 26 starts</title><rect' in picture
    assert picture.count('class="core"') == 1
    assert 'role="img"' in picture


def test_work_that_goes_on_says_how_far_and_asks_again(bench: Bench) -> None:
    bench.tunes.found = RUNNING
    page = bench.get("/tune/owl/weighed?nights=3")

    assert "Weighing: 3 of 14 settings" in page
    assert 'hx-get="/tune/owl/weighed?nights=3" hx-trigger="load delay:1s"' in page
    assert '<progress max="100" value="21">' in page
    assert 'href="/tune/owl?weigh=1&nights=3"' in page.replace("&amp;", "&")
    assert bench.tunes.asked == [("owl", 3)]


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (Work(WorkState.FAILED, said="no night has been recorded yet"), "no night has been"),
        (Work(WorkState.BUSY, said="something else is being worked out"), "something else is"),
    ],
)
def test_why_there_is_nothing_is_said(bench: Bench, work: Work, said: str) -> None:
    bench.tunes.found = work
    assert said in bench.get("/tune/owl/weighed")


def test_every_value_it_had_can_be_put_back(bench: Bench) -> None:
    page = bench.get("/tune/owl")

    assert "45 s, by Mara" in page
    assert "Put back 45 s" in page
    bench.stage.desk.change_prop("owl", cooldown_ms=45_000)
    assert "Put back 45 s" not in bench.get("/tune/owl")  # it is that already
    bench.stage.desk.change_prop("owl", cooldown_ms=12_000)


# --- now, or from the next phase


def test_a_rest_can_be_put_off_to_the_next_phase_and_is_seen_until_then(bench: Bench) -> None:
    assert 'From the next phase <span class="dim">late, 19:10</span>' in bench.get(
        "/tune/owl?weigh=1"
    )
    answer = bench.stage.client.post("/tune/owl/later", data={"cooldown_s": "20"}, headers=OWN)

    assert (answer.status_code, answer.headers["location"]) == (303, "/tune/owl")
    assert bench.later.kept["owl"].cooldown_ms == 20_000
    assert bench.later.kept["owl"].by == "Jory"
    for path in ("/tune", "/tune/owl"):
        assert "rests 20 s from 19:10 on (late), by Jory" in bench.get(path)
    assert "rests 20 s" not in bench.get("/tune/lantern")


def test_it_can_be_cancelled(bench: Bench) -> None:
    bench.later.add("owl", 20_000, "Jory")
    answer = bench.stage.client.post("/tune/owl/later/cancel", headers=OWN)

    assert (answer.status_code, bench.later.kept) == (303, {})
    again = bench.stage.client.post("/tune/owl/later/cancel", headers=OWN)
    assert again.status_code == 404


def test_a_change_that_could_not_be_made_says_why(bench: Bench) -> None:
    bench.later.add("owl", 20_000, "Jory")
    bench.later.kept["owl"] = bench.later.kept["owl"]._replace(fault="there is no prop")
    assert "Not made: there is no prop" in bench.get("/tune")


def test_another_day_is_named(bench: Bench) -> None:
    bench.later.planned = (DUSK_MS + 86_400_000, "gentle")
    assert "gentle, Sun 18:30" in bench.get("/tune/owl/weighed")


def test_without_a_next_phase_it_is_not_offered(bench: Bench) -> None:
    bench.later.planned = None
    assert "From the next phase" not in bench.get("/tune/owl/weighed")


def test_a_prop_that_is_not_there_is_said(bench: Bench) -> None:
    answer = bench.stage.client.post("/tune/nobody/later", data={"cooldown_s": "20"}, headers=OWN)

    assert answer.status_code == 404
    assert bench.stage.client.get("/tune/nobody").status_code == 404


@pytest.mark.parametrize("wanted", ["-1", "4000", "nan", "soon"])
def test_a_rest_that_is_none_is_refused(bench: Bench, wanted: str) -> None:
    answer = bench.stage.client.post("/tune/owl/later", data={"cooldown_s": wanted}, headers=OWN)
    assert answer.status_code == 422
    assert bench.later.kept == {}


# --- the whole show, and earlier nights


def test_the_front_of_the_whole_show_recommends_nothing(bench: Bench) -> None:
    page = bench.get("/tune-show?weigh=1")

    assert "3 settings on 400 visits" in page
    assert "350<td>0 s<td>x 0.5<td>as now" in page
    assert "flat: b-owl" in page
    assert "Setting 250" not in page
    assert "Advice" not in page
    assert 'hx-get="/tune-show/weighed?nights=1"' in bench.get("/tune-show")


def test_earlier_nights_say_what_they_would_change(bench: Bench) -> None:
    page = bench.get("/tune-nights")

    assert "Tin owl: rest 45 s, now 30 s" in page
    assert "phase 1: cooldown factor 1.5, now not set" in page
    assert "<h2>2026-10-30</h2> <p>As now.</p>" in page
    assert page.count("Put these back") == 1


def test_settings_are_put_back_in_one_version_with_a_way_forward_again(bench: Bench) -> None:
    answer = bench.stage.client.post("/tune-nights/1", headers=OWN)

    assert answer.headers["location"] == "/tune-nights?was=1"
    assert (bench.shelf.cooldown_s(), bench.shelf.by) == (20, ["Jory"])
    page = bench.get("/tune-nights?was=1")
    assert 'action="/tune-nights/1"' in page
    assert "The settings are put back." in page


def test_with_htmx_the_page_is_drawn_anew(bench: Bench) -> None:
    answer = bench.stage.client.post("/tune-nights/1", headers=HTMX)
    assert answer.headers["hx-redirect"] == "/tune-nights?was=1"


def test_a_version_that_is_not_kept_is_said(bench: Bench) -> None:
    assert bench.stage.client.post("/tune-nights/99", headers=OWN).status_code == 404


def test_settings_that_the_file_refuses_are_said_and_change_nothing(bench: Bench) -> None:
    value = Value("prop", "gate", "cooldown_s", -1.0)
    bench.tunes.then = Then("", 1, ((value, 25.0),))
    answer = bench.stage.client.post("/tune-nights/1", headers=OWN)

    assert answer.status_code == 422
    assert "cooldown_s" in answer.text
    assert len(bench.shelf.versions) == 1


def test_who_may_only_watch_is_not_let_in(bench: Bench) -> None:
    bench.stage.become("watch")
    for path in ("/tune", "/tune/owl", "/tune-show", "/tune-nights", "/rehearse"):
        assert bench.stage.client.get(path).status_code == 403
    answer = bench.stage.client.post("/tune/owl/later", data={"cooldown_s": "20"}, headers=OWN)
    assert answer.status_code == 403
