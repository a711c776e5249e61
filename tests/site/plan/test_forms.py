"""Goal: all that the show file can say stands in a form with words, and comes back as it was.

Method: the models' keys are walked and held against the forms' fields, drawn and as HTML; every
form of three shows is sent back as it came.
"""

import tomllib
from collections.abc import Iterator

import pytest
from pydantic import BaseModel

from haunt.site.plan.fields import Kind, fields_of, form_of, kind_of
from haunt.site.plan.forms import Filling, row_texts
from haunt.site.plan.overview import BRIEF
from haunt.site.plan.sums import Said
from haunt.site.plan.tables import ALL, BY_NAME, Table, key_of, rows_model, rows_of, single_model
from haunt.site.plan.texts import Typed
from haunt.site.plan.typed import said_by
from haunt.site.plan.words import TABLES, UNIT_OF, UNITS, WORDS, unit_of
from haunt.wire.showmodels import ShowFile
from haunt.wire.showrefs import PARTS, REFERENCES
from tests.site.plan.stage import SHOWS, PlanStage, form_in


@pytest.fixture
def full(house: PlanStage) -> PlanStage:
    """A show with every key."""
    return house.begin(SHOWS["every-key"])


def keys_of(model: type[BaseModel], around: str = "") -> Iterator[str]:
    """Every key that a table of the file can have, dotted, lists as number 0."""
    for name, info in model.model_fields.items():
        key = f"{around}{key_of(model, name)}"
        many, one = rows_model(info.annotation), single_model(info.annotation)
        inner = many or one
        if inner is None:
            yield key
        else:
            yield from keys_of(inner, f"{key}.0." if many is not None else f"{key}.")


def field_names(table: Table) -> set[str]:
    form = form_of(table.name)
    found = {each.name for each in form.fields}
    for group in form.groups:
        found |= {each.name for each in (group.numbered(0) if group.is_many else group.fields)}
    for key in form.within:
        found |= {each.name for each in fields_of(f"{table.name}.{key}", (key, "0"))}
    return found


def all_models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for info in model.model_fields.values():
        inner = rows_model(info.annotation) or single_model(info.annotation)
        if inner is not None:
            yield from all_models(inner)


def test_every_table_of_the_file_has_pages() -> None:
    named = {key_of(ShowFile, name) for name in ShowFile.model_fields}

    assert {each.name for each in ALL.values() if not each.around} == named
    assert {each.name for each in ALL.values() if each.around} == {"prop.behaviour"}


@pytest.mark.parametrize("table", ALL.values(), ids=lambda each: each.slug)
def test_every_key_of_a_table_is_a_field_of_its_form_and_no_other(table: Table) -> None:
    assert field_names(table) == set(keys_of(table.model))


def test_every_table_and_key_has_words_and_no_words_are_left_over() -> None:
    models = set(all_models(ShowFile)) - {ShowFile}

    assert set(TABLES) == set(ALL)
    assert set(WORDS) == models
    for model in models:
        assert set(WORDS[model]) == {key_of(model, name) for name in model.model_fields}
    words = [each for said in WORDS.values() for each in said.values()]
    assert [each for each in words if not each.label or not each.hint.endswith(".")] == []
    assert max(len(each.label) for each in words) <= 32
    assert max(len(each.hint) for each in words) <= 70


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("cooldown_s", "s"), ("lead_ms", "ms"), ("x_m", "m"), ("walking_speed_m_s", "m/s"),
        ("theta_k_w", "K/W"), ("other_w", "W"), ("fuse_a", "A"), ("stall_ma", "mA"),
        ("capacity_mah", "mAh"), ("resistance_mohm", "mΩ"), ("amplifier_ohm", "Ω"),
        ("night_low_c", "°C"), ("aim_deg", "°"), ("level_dba", "dBA"), ("sensitivity_db", "dB"),
        ("flash_hz", "Hz"), ("retire_percent", "%"), ("area_mm2", "mm²"), ("volts", "V"),
        ("last_group_min", "min"), ("rate_h", "h"), ("groups_per_hour", "an hour"),
        ("name", ""), ("low", ""), ("id", ""), ("lines", ""),
    ],
)  # fmt: skip
def test_a_keys_unit_is_what_it_says_at_its_end(key: str, unit: str) -> None:
    assert unit_of(key) == unit


def test_no_end_of_a_key_hides_a_longer_one() -> None:
    ends = [end for end, _ in UNITS]

    assert [a for n, a in enumerate(ends) for b in ends[n + 1 :] if b.endswith(a) and a != b] == []
    assert {key for model in WORDS for key in WORDS[model]} >= set(UNIT_OF)


def test_every_reference_of_the_file_is_picked_from_a_list() -> None:
    for reference in REFERENCES:
        [field] = [e for e in form_of(reference.table).fields if e.key == reference.key]
        assert field.kind in {Kind.REF, Kind.REFS}
        assert field.target == reference.target
        assert field.is_needed == reference.is_needed
    for part in PARTS:
        [field] = [e for e in form_of(part.table).fields if e.key == part.key]
        assert (field.kind, field.target) == (Kind.TEXT, part.target)


def test_a_type_that_nobody_foresaw_is_not_drawn_as_something_else() -> None:
    with pytest.raises(TypeError, match="no field is known"):
        kind_of(set[str])


def test_the_overview_names_only_keys_that_there_are() -> None:
    assert set(BRIEF) == {each.slug for each in ALL.values() if not each.is_single}
    for slug, keys in BRIEF.items():
        assert set(keys) <= {key_of(ALL[slug].model, n) for n in ALL[slug].model.model_fields}


@pytest.mark.parametrize("show", SHOWS)
def test_a_rows_texts_say_nothing_but_the_row(show: str) -> None:
    raw = tomllib.loads(SHOWS[show])
    for table in ALL.values():
        for row in rows_of(table, raw):
            assert said_by(table, row.value, row_texts(table, row.value)) == ({}, []), row.title


def test_every_form_that_is_sent_back_as_it_came_changes_nothing(full: PlanStage) -> None:
    raw = tomllib.loads(full.text)
    for table in ALL.values():
        for row in rows_of(table, raw):
            answer = full.post(row.action, full.form(row.href, row.action))
            assert answer.headers["location"] == f"{row.href}?saved=0", (row, answer.text)
    assert full.version == 1
    assert full.text == SHOWS["every-key"]


@pytest.mark.parametrize("table", ALL.values(), ids=lambda each: each.slug)
def test_the_page_holds_each_field_of_the_form_by_its_name(full: PlanStage, table: Table) -> None:
    row = rows_of(table, tomllib.loads(full.text))[0]
    drawn = set(form_in(full.page(row.href), row.action)) - {"form_token", "on"}

    form = form_of(table.name)
    wanted = {e.name for e in form.fields} | {e.name for g in form.groups for e in g.fields}
    for group in form.groups:
        if group.is_many:
            wanted |= {e.name for n in range(2) for e in group.numbered(n)}
    assert drawn == wanted


def test_a_new_prop_brings_the_fields_of_its_first_behaviour(full: PlanStage) -> None:
    drawn = set(full.form("/plan/props/new"))

    assert {each.name for each in fields_of("prop.behaviour", ("behaviour", "0"))} <= drawn
    assert BY_NAME["prop.behaviour"].around == "prop"


def test_a_row_of_the_timetable_offers_what_its_own_prop_can_do(house: PlanStage) -> None:
    house.begin(SHOWS["garden"])
    table, raw = BY_NAME["timetable"], tomllib.loads(house.text)

    def offered(prop: str, typed: Typed) -> list[str]:
        view = Filling(table, raw, {"prop": prop} if prop else {}, typed, Said(), {}).view()
        [field] = [each for each in view.fields if each.name == "behaviour"]
        return [each.value for each in field.options[1:]]

    def known(prop: str) -> list[str]:
        [found] = [each for each in raw["prop"] if each["id"] == prop]
        return [each["id"] for each in found["behaviour"]]

    assert offered("old-well", {}) == known("old-well")
    assert offered("old-well", {"prop": ["gatekeeper"]}) == known("gatekeeper")
    assert len(offered("", {})) > len(known("old-well"))
