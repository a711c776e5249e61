"""Goal: a phone shows what another rest would have given, sets it now or later, and takes it back.

Method: the application over books that hold one weighed prop; without scripts, then as htmx.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from html import unescape

import pytest

from haunt.site.ports import Services
from haunt.site.workports import (
    Change,
    Pending,
    Then,
    Turn,
    Value,
    Was,
    When,
    Work,
    WorkState,
    prop_key,
)
from haunt.study.advice import NO_GAIN, PACK, Advice, Tried
from haunt.study.overall import Overall, Whole
from haunt.study.reading import MISREAD
from haunt.study.sweep import Setting
from haunt.wire.showfile import read_show
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


def whole(line_ms: float | None = None) -> Overall:
    rows = (
        Whole(Setting(), 300, 320, 900, 20, 900.0, 40.0, (), 3_600_000, 0.1, is_now=True),
        Whole(
            Setting(gap_ms=0, scale_permille=500), 350, 400, 500, 90, 990.0, 4.0, ("b-owl",),
            5_400_000, 0.2, on_front=True,
        ),
        Whole(Setting(gap_ms=8000), 250, 260, 900, 0, 800.0, 50.0, (), 2_000_000, 0.1),
    )  # fmt: skip
    return Overall(("2026-10-30",), 400, tuple(replace(each, line_ms=line_ms) for each in rows))


class Tunes:
    """Satisfies `workports.TuneBook`."""

    def __init__(self) -> None:
        self.found: Work | Advice = advised()
        self.line_ms: float | None = None
        self.asked: list[tuple[str, int]] = []
        self.then = Then("", 1, ((Value("prop", "gate", "cooldown_s", 20.0), 25.0),))

    def weigh(self, prop: str, nights: int = 1) -> Work | Advice:
        self.asked.append((prop, nights))
        return self.found

    def weigh_show(self, nights: int = 1) -> Work | Overall:
        self.asked.append(("", nights))
        return whole(self.line_ms) if isinstance(self.found, Advice) else self.found

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

    def lately(self) -> list[Change]:
        many = [(Value("prop", each, "cooldown_s", 20.0), 10.0) for each in ("owl", "gate", "well")]
        return [
            Change(DUSK_MS, "Mara", 6, ((Value("stagger", None, "gap_s", 6.0), 4.0), *many)),
            Change(
                DUSK_MS - 60_000, "Jory", 5, ((Value("prop", "owl", "cooldown_s", 45.0), 30.0),)
            ),
        ]

    def settings_of(self, version: int) -> Then | None:
        return self.then if version == 1 else None


class Later:
    """Satisfies `workports.LaterBook`."""

    def __init__(self) -> None:
        self.kept: dict[str, Pending] = {}
        self.planned: Turn | None = Turn(DUSK_MS + 2_400_000, "late")
        self.night: Turn | None = Turn(DUSK_MS + 86_400_000, "the night of 2026-11-01")

    def pending(self) -> list[Pending]:
        return list(self.kept.values())

    def next_turn(self, when: When) -> Turn | None:
        return self.planned if when is When.PHASE else self.night

    def add(self, key: str, values: Sequence[Value], by: str, when: When = When.PHASE) -> Pending:
        turn = self.next_turn(when)
        assert turn is not None
        self.kept[key] = Pending(key, tuple(values), by, DUSK_MS, *turn)
        return self.kept[key]

    def cancel(self, key: str) -> bool:
        return self.kept.pop(key, None) is not None

    def rest(self, prop: str, rest_s: float, by: str) -> None:
        self.add(prop_key(prop), [Value("prop", prop, "cooldown_s", rest_s)], by)


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
    assert "As it is set now: 24 of 58 groups answered last night" in page
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
    assert bench.later.kept["prop owl"].values[0].value == 20
    assert bench.later.kept["prop owl"].by == "Jory"
    for path in ("/tune", "/tune/owl"):
        assert "rests 20 s from 19:10 on (late), by Jory" in bench.get(path)
    assert "rests 20 s" not in bench.get("/tune/lantern")


def test_it_can_be_cancelled(bench: Bench) -> None:
    bench.later.rest("owl", 20, "Jory")
    answer = bench.stage.client.post("/tune-later/cancel", data={"key": "prop owl"}, headers=OWN)

    assert (answer.status_code, bench.later.kept) == (303, {})
    again = bench.stage.client.post("/tune-later/cancel", data={"key": "prop owl"}, headers=OWN)
    assert again.status_code == 404


def test_a_change_that_could_not_be_made_says_why(bench: Bench) -> None:
    bench.later.rest("owl", 20, "Jory")
    bench.later.kept["prop owl"] = bench.later.kept["prop owl"]._replace(fault="there is no prop")
    assert "Not made: there is no prop" in bench.get("/tune")


def test_another_day_is_named(bench: Bench) -> None:
    bench.later.planned = Turn(DUSK_MS + 86_400_001, "gentle")
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
    assert ">350</a><td>stagger 0 s, all rests x 0.5<td>flat before close: b-owl<td>90.0" in page
    assert ">300</a><td>as it is <strong>now</strong><td>last till close, least 40 %" in page
    assert "stagger 8 s" not in page
    assert "Advice" not in page
    assert 'hx-get="/tune-show/weighed?nights=1"' in bench.get("/tune-show")


def test_visitors_answered_stand_against_packs_noise_and_wear(bench: Bench) -> None:
    page = bench.get("/tune-show/weighed")

    for what in ("packs: charge drawn, mAh", "noise: minutes of sound", "wear: starts"):
        assert f'aria-label="Visits answered against {what}' in page
    bench.tunes.line_ms = 240_000.0
    page = bench.get("/tune-show/weighed")
    assert "noise: minutes at the property line" in page
    assert "<td>4.0 min<td>" in page


def test_a_setting_of_the_show_is_looked_at_before_it_is_taken(bench: Bench) -> None:
    page = bench.get("/tune-show?row=1")

    assert "Would have answered 350 instead of 300 of 400 visits." in page
    assert "<li>Packs: flat before close: b-owl; now last till close, least 40 %</li>" in page
    assert '<input type="hidden" name="gap_s" value="0">' in page
    assert '<input type="hidden" name="scale" value="0.5">' in page
    assert '<input type="hidden" name="factor" value="" disabled>' in page
    for button in (">Use it now<", ">From the next phase <", ">From the next night <"):
        assert button in page
    assert "Use it now" not in bench.get("/tune-show?weigh=1")
    assert "Use it now" not in bench.get("/tune-show?row=0")


def test_it_is_taken_in_one_version_with_a_way_back(bench: Bench) -> None:
    asked = {"gap_s": "4", "scale": "0.5", "when": "now"}
    answer = bench.stage.client.post("/tune-show", data=asked, headers=OWN)

    assert (answer.status_code, answer.headers["location"]) == (303, "/tune-show?was=1")
    file = read_show(bench.shelf.toml(), "show").show
    assert (file.stagger.gap_ms, file.props[0].cooldown_ms) == (4000, 12_500)
    assert (len(bench.shelf.versions), bench.shelf.by) == (2, ["Jory"])
    page = bench.get("/tune-show?was=1")
    assert 'action="/tune-nights/1"' in page
    assert "The show is changed." in page


@pytest.mark.parametrize(
    ("when", "said"), [("phase", "from 19:10 on (late)"), ("night", "from Sun 18:30 on (the night")]
)
def test_stagger_patience_and_phase_factors_can_be_put_off(
    bench: Bench, when: str, said: str
) -> None:
    asked = {"gap_s": "4", "patience_s": "2.5", "factors": ["1", "1.5"], "when": when}
    answer = bench.stage.client.post("/tune-show", data=asked, headers=OWN)

    assert (answer.status_code, answer.headers["location"]) == (303, "/tune-show")
    assert len(bench.shelf.versions) == 1
    assert [each[:4] for each in bench.later.kept["show"].values] == [
        ("stagger", None, "gap_s", 4.0),
        ("limits", None, "patience_s", 2.5),
        ("phase", 2, "cooldown_factor", 1.5),
    ]
    for path in ("/tune", "/tune-show"):
        page = bench.get(path)
        assert "stagger 4 s; patience 2.5 s; phase 2: cooldown factor 1.5 " + said in page
    assert "Put off" not in bench.get("/tune/owl")
    bench.stage.client.post("/tune-later/cancel", data={"key": "show"}, headers=OWN)
    assert bench.later.kept == {}


def test_every_change_of_these_settings_can_be_taken_back(bench: Bench) -> None:
    page = bench.get("/tune-show")

    assert "18:30, Mara: stagger 4 s, was 6 s; rests of 3 props</p>" in page
    assert "18:29, Jory: Tin owl: rest 30 s, was 45 s</p>" in page
    for before in (6, 5):
        assert f'<form method="post" action="/tune-nights/{before}">' in page


def test_what_can_be_set_by_hand_shows_what_it_is_now(bench: Bench) -> None:
    page = bench.get("/tune-show")

    assert 'Patience, seconds<input type="number" inputmode="decimal" name="patience_s"' in page
    for phase in ("gentle", "full"):
        assert f"Rests in {phase}, times" in page
    assert 'name="gap_s"' not in page  # no radius in the file: nobody is anybody's neighbour


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ({"factors": ["1", "1"], "when": "now"}, 422),
        ({"factors": ["1"], "when": "now"}, 422),
        ({"gap_s": "-1"}, 422),
        ({"scale": "99"}, 422),
        ({"factors": ["nan", "1"]}, 422),
        ({"gap_s": "4", "when": "never"}, 422),
    ],
)
def test_what_changes_nothing_or_is_no_setting_is_refused(
    bench: Bench, asked: dict[str, str | list[str]], status: int
) -> None:
    answer = bench.stage.client.post("/tune-show", data=asked, headers=OWN)
    assert answer.status_code == status
    assert (len(bench.shelf.versions), bench.later.kept) == (1, {})


def test_what_is_easily_misread_stands_beside_each_table(bench: Bench) -> None:
    for path in ("/tune/owl/weighed", "/tune-show/weighed"):
        page = bench.get(path)
        for each in MISREAD:
            assert f"<li>{each}</li>" in unescape(page), each


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
