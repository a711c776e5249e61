"""Goal: what a journal holds is weighed, rehearsed and reported from the data folder alone.

Method: one folder with two drawn evenings of a small show, decided by the real arbiter; commands
are called as a person would.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from queue import Queue

import pytest
from typer.testing import CliRunner

from haunt.bootstrap.cores import pooled
from haunt.bootstrap.earlier import changes_lately, earlier_nights, settings_in, settings_of_version
from haunt.bootstrap.errands import Errands
from haunt.bootstrap.offline import open_store
from haunt.bootstrap.recordings import last_nights, show_of
from haunt.bootstrap.rehearsal import Asked, Rehearser, outlook_of_data
from haunt.bootstrap.reporting import Nights
from haunt.bootstrap.trials import trials
from haunt.bootstrap.tuning import Wanted, advice_on, as_json, overall_as_json, show_front
from haunt.bootstrap.weigher import Weigher, from_json, overall_from_json
from haunt.cli import app
from haunt.site.workports import Value, Work, WorkState
from haunt.store.engines import Engine
from haunt.store.writer import Writer
from haunt.study.advice import Advice
from haunt.study.overall import Overall
from haunt.study.rehearsal import Plan
from haunt.study.sweep import Setting, in_turn
from tests.bootstrap.lived import config_of, lay

SHOW = """
[show]
id = "yard"
time_zone = "Europe/Berlin"
walking_speed_m_s = 0.8

[[night]]
date = 2026-10-30
opens = "18:00"
closes = "20:00"

[[night]]
date = 2026-10-31
opens = "18:00"
closes = "20:00"

[[phase]]
name = "gentle"
from = "17:00"
to = "19:00"
cooldown_factor = 1.2

[stagger]
radius_m = 3
gap_s = 2

[[board]]
id = "gate"
x_m = 0
y_m = 1
idle_ma = 80
battery = { chemistry = "lipo", series = 2, capacity_mah = 3000 }

[[sensor]]
id = "gate-mat"
board = "gate"
kind = "mat"
x_m = 0
y_m = 0

[[sensor]]
id = "well-beam"
board = "gate"
kind = "beam"
x_m = 8
y_m = 0

[[prop]]
id = "keeper"
board = "gate"
cooldown_s = 60

[[prop.behaviour]]
id = "growl"
duration_s = 4
average_ma = 600
level_dba = 70

[[prop]]
id = "well"
board = "gate"
x_m = 8
y_m = 1
cooldown_s = 5

[[prop.behaviour]]
id = "bubble"
duration_s = 3
average_ma = 300

[[link]]
sensor = "gate-mat"
prop = "keeper"

[[link]]
sensor = "well-beam"
prop = "well"
"""


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lived")
    assert lay(folder, SHOW, Plan(groups=60)) == ["2026-10-30", "2026-10-31"]
    return folder


@pytest.fixture
def engine(data: Path) -> Iterator[Engine]:
    writing, reading = open_store(config_of(data))
    yield reading
    writing.dispose()
    reading.dispose()


def advice(engine: Engine, **wanted: object) -> Advice:
    found = advice_on(engine, Wanted("keeper", **wanted))  # type: ignore[arg-type]
    assert isinstance(found, list)
    return found[0]


# --- weighing


def test_a_minutes_rest_is_found_too_long_by_two_nights(engine: Engine) -> None:
    found = advice(engine, nights=2)

    assert found.days == ("2026-10-30", "2026-10-31")
    assert found.cooldown_ms is not None
    assert found.cooldown_ms < found.now_ms == 60_000
    assert found.gain > 0
    now = next(each for each in found.tried if each.cooldown_ms == found.now_ms)
    assert now.left_percent is not None
    assert 85 < now.left_percent < 100


def test_advice_travels_between_processes_whole(engine: Engine) -> None:
    found = advice(engine, patience=True, rest_s=33)
    assert from_json(json.loads(json.dumps(as_json(found)))) == found
    assert 33_000 in {each.cooldown_ms for each in found.tried}
    assert {each.patience_ms for each in found.tried} > {None, 1500}


def test_the_whole_show_travels_too(engine: Engine) -> None:
    found = show_front(engine)
    assert isinstance(found, Overall)
    assert overall_from_json(json.loads(json.dumps(overall_as_json(found)))) == found
    assert found.rows[0].is_now
    assert len({each.setting.phase_permille for each in found.rows}) > 2


def test_two_processes_find_what_one_does_and_tell_how_far_they_are(engine: Engine) -> None:
    file = show_of(engine)
    assert not isinstance(file, str)
    nights = last_nights(engine, file, 1)
    assert not isinstance(nights, str)
    settings = [Setting("keeper", 1000 * s) for s in (5, 20, 40)]
    told: list[tuple[int, int]] = []
    with trials(nights, 3, lambda done, of: told.append((done, of)), jobs=2) as attempts:
        there = attempts(settings)

    assert there == in_turn(nights)(settings)
    assert told == [(0, 3), (1, 3), (2, 3), (3, 3)]


def test_small_work_stays_in_this_process() -> None:
    with pooled(int.__add__, 10, 2, jobs=1) as work:
        assert work([1, 2]) == [11, 12]


def test_what_is_missing_is_said(tmp_path: Path, engine: Engine) -> None:
    _writing, empty = open_store(config_of(tmp_path))

    assert advice_on(empty, Wanted()) == "there is no show yet"
    Writer(_writing).save_show(SHOW, "me", 1)
    assert "no night has been recorded" in str(advice_on(empty, Wanted()))
    assert "no night has been recorded" in str(show_front(empty))
    assert "there is no prop 'x'; there are keeper, well" in str(advice_on(engine, Wanted("x")))


def test_pages_get_it_from_a_process_of_its_own(engine: Engine, data: Path) -> None:
    news: Queue[Work] = Queue()
    errands = Errands(told=lambda _key, work: news.put(work))
    weigher = Weigher(engine, data, errands)
    assert isinstance(weigher.weigh("keeper"), Work)
    while news.get(timeout=60).state is WorkState.RUNNING:
        pass
    found = weigher.weigh("keeper")
    errands.stop()

    assert isinstance(found, Advice), found
    assert found.tried == advice(engine).tried


# --- settings of earlier nights


def test_the_settings_of_an_earlier_night_are_what_differs(tmp_path: Path) -> None:
    lay(tmp_path, SHOW, Plan(groups=3))
    writing, reading = open_store(config_of(tmp_path))
    tuned = SHOW.replace("cooldown_s = 60", "cooldown_s = 25").replace("gap_s = 2", "gap_s = 4")
    Writer(writing).save_show(tuned.replace("cooldown_factor = 1.2\n", ""), "Mara", 2**41)

    newest, oldest = earlier_nights(reading)
    changes = {(v.table, v.name, v.key): (v.value, now) for v, now in newest.changes}
    assert (newest.day, oldest.day, newest.version) == ("2026-10-31", "2026-10-30", 1)
    assert changes == {
        ("prop", "keeper", "cooldown_s"): (60.0, 25.0),
        ("stagger", None, "gap_s"): (2.0, 4.0),
        ("phase", 1, "cooldown_factor"): (1.2, None),
    }
    then = settings_of_version(reading, 1)
    assert then is not None
    assert then.changes == newest.changes
    assert settings_of_version(reading, 2) is not None
    assert settings_of_version(reading, 2).changes == ()  # type: ignore[union-attr]
    assert settings_of_version(reading, 9) is None
    [only] = changes_lately(reading)
    assert (only.at_ms, only.by, only.before) == (2**41, "Mara", 1)
    assert only.changes == newest.changes
    writing.dispose()
    reading.dispose()


def test_props_and_phases_that_are_gone_are_left_alone() -> None:
    gone = SHOW.replace('id = "well"\nboard', 'id = "pond"\nboard').replace("gentle", "calm")
    both = {key for key in settings_in(gone) if key in settings_in(SHOW)}

    assert ("prop", "keeper", "cooldown_s", "") in both
    assert not any(name in {"well", "pond", 1} for _, name, _, _ in both)
    assert Value("prop", "keeper", "cooldown_s", 60.0).value == 60


# --- rehearsing and reporting


def test_own_nights_are_a_profile_to_rehearse_by(engine: Engine) -> None:
    found = outlook_of_data(engine, Asked(2, profile="own"), jobs=1)

    assert not isinstance(found, str)
    assert found.profile == "Your last 2 nights"
    assert 40 < found.groups.mean < 100  # 60 came in the mean
    assert "there is no profile 'x'" in str(outlook_of_data(engine, Asked(1, profile="x")))


def test_a_night_is_told_beside_the_others(engine: Engine) -> None:
    nights = Nights(engine, lambda: "Europe/Berlin")
    first = nights.report("2026-10-30")
    lines = nights.lines()

    assert not isinstance(first, str)
    assert first.crowd.best is not None
    assert first.crowd.best.groups is not None
    assert first.walks is not None
    assert first.walks.groups > 0.8 * first.groups
    assert len(first.starts_ms) == 1
    assert [each.date for each in lines] == ["2026-10-31", "2026-10-30"]
    assert lines[1].visits == first.visits
    assert nights.lines() == lines  # the older one out of memory


def run(data: Path, *words: str) -> str:
    done = CliRunner().invoke(app, [*words, "--data", str(data)])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_the_commands_print_tables_and_json(data: Path) -> None:
    assert "answers" in run(data, "tune", "keeper")
    assert "* no other answers as many for as little" in run(data, "tune", "keeper", "--table")
    side = run(data, "tune", "keeper", "--rest", "20")
    assert "refused: cooldown" in side
    assert "- People walk as they did" in side
    assert json.loads(run(data, "tune", "keeper", "--json"))[0]["prop"] == "keeper"
    assert "no other setting beats" in run(data, "tune", "--show")
    night = json.loads(run(data, "report", "2026-10-31", "--json"))
    assert night["crowd"]["best"]["groups"]["low"] > 0
    assert json.loads(run(data, "report", "--json")) == night, "without a date it is the newest"
    told = run(data, "rehearse-nights", "--nights", "2", "--groups", "20", "--jobs", "1")
    assert "answers fewest" in told
    plain = run(data, "rehearse-nights", "--nights", "1", "--groups", "20", "--json")
    assert json.loads(plain)["groups"]["mean"] > 0


def test_the_page_of_rehearsals_asks_for_what_was_chosen(tmp_path: Path) -> None:
    heard: list[list[str]] = []

    class Noting(Errands):
        def ask(self, key: str, words: list[str], *, again: bool = False) -> Work:  # type: ignore[override]
            assert again, key
            heard.append(words)
            return Work(WorkState.RUNNING)

    rehearser = Rehearser(tmp_path, Noting())
    assert rehearser.state() is None
    rehearser.begin(20, "street", 120, faults=True)
    rehearser.begin(10, "own", None, faults=False)

    assert heard[0][:4] == ["rehearse-nights", "--nights", "20", "--profile"]
    assert {"--faults", "120", "street", str(tmp_path)} <= set(heard[0])
    assert not {"--faults", "--groups"} & set(heard[1])
