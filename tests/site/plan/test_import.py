"""Goal: a whole file is seen beside what is kept before it is taken, to the letter or not at all.

Method: files and pasted texts are sent as browsers send them; the kept bytes are compared.
"""

import pytest

from haunt.live.errors import CrewMistake
from haunt.site.asking import HEADER
from haunt.site.doors import form_token_of
from haunt.site.plan.imports import packed, unpacked
from tests.site.plan.stage import GARDEN, PlanStage, form_in
from tests.site.plan.test_rows import plain
from tests.site.stage import OWN, secret_of

QUIETER = GARDEN.replace("cooldown_s = 18", "cooldown_s = 30   # calmer").replace(
    '[[hazard]]\nkind = "water"\nx_m = 9\ny_m = -3\n', ""
)


def looked_at(plan: PlanStage, text: str) -> str:
    answer = plan.post("/plan/import", {"text": text})
    assert answer.status_code == 200, plain(answer.text)
    return answer.text


def test_what_a_file_would_change_is_shown_and_nothing_is_taken_yet(plan: PlanStage) -> None:
    said = plain(looked_at(plan, QUIETER))

    assert "Nothing is changed yet. 1 removed , 1 changed." in said
    assert "± changed: Prop gatekeeper: Cooldown 18 s → 30 s" in said
    assert "The sums would find" in said
    assert "- removed: Hazard 2: Kind water, Map, along 9 m, Map, across -3 m" in said
    assert plan.text == GARDEN


@pytest.mark.parametrize("text", [QUIETER, QUIETER.replace("\n", "\r\n"), "\ufeff" + QUIETER])
def test_a_chosen_file_is_taken_to_the_letter_and_exported_so(plan: PlanStage, text: str) -> None:
    sent = {"file": ("my show.toml", text.encode(), "application/toml")}
    page = plan.client.post("/plan/import", files=sent, headers=OWN)

    answer = plan.post("/plan/import/take", form_in(page.text, "/plan/import/take"))

    assert answer.headers["location"] == "/plan?saved=2"
    exported = plan.client.get("/plan/export.toml")
    assert exported.content == text.encode()
    assert exported.headers["content-disposition"] == 'attachment; filename="garden-2.toml"'
    assert "Saved." in plan.page(answer.headers["location"])


def test_pasted_text_has_the_line_ends_of_a_file(plan: PlanStage) -> None:
    page = looked_at(plan, QUIETER.replace("\n", "\r\n"))  # as browsers send a text area

    plan.post("/plan/import/take", form_in(page, "/plan/import/take"))

    assert plan.text == QUIETER


def test_a_file_with_faults_is_refused_whole_with_every_fault_and_stays_in_the_field(
    plan: PlanStage,
) -> None:
    wrong = GARDEN.replace("cooldown_s = 18", 'cooldown_s = "soon"').replace(
        'board = "well"', 'board = "wall"', 1
    )

    answer = plan.post("/plan/import", {"text": wrong})

    assert answer.status_code == 422
    said = plain(answer.text)
    assert "prop[gatekeeper].cooldown_s is 'soon'. Allowed: seconds from 0 to 86400" in said
    assert "no board is called so. Allowed: a known board; the nearest is well." in said
    assert form_in(answer.text, "/plan/import")["text"] == [wrong]
    assert plan.text == GARDEN


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"\xff\xfe[show]", "It is not UTF-8 at byte 1."),
        (b"[show", "is not TOML"),
        (b"", "show is missing"),
        (GARDEN.replace('id = "garden"', 'id = "orchard"').encode(), "show.id is 'orchard'"),
    ],
)
def test_what_is_no_show_of_this_server_is_refused_in_words(
    plan: PlanStage, body: bytes, said: str
) -> None:
    files = {"file": ("x.toml", body, "text/plain")}

    answer = plan.client.post("/plan/import", files=files, headers=OWN)

    assert answer.status_code == 422
    assert said in plain(answer.text)


def test_the_same_file_is_said_to_be_the_same(plan: PlanStage) -> None:
    page = looked_at(plan, GARDEN)

    assert "They are the same, to the letter." in page
    assert "/plan/import/take" not in page
    assert "Only comments or the layout differ." in looked_at(plan, GARDEN + "# so\n")


def test_a_file_is_looked_at_again_where_somebody_changed_the_show_meanwhile(
    plan: PlanStage,
) -> None:
    form = form_in(looked_at(plan, QUIETER), "/plan/import/take")
    plan.keeper.patch_prop("gatekeeper", {"name": "Warden"}, "Jory")

    answer = plan.post("/plan/import/take", form)

    assert answer.status_code == 409
    assert "the show has changed meanwhile" in plain(answer.text)
    assert "Name Warden → Gatekeeper" in plain(answer.text)
    assert plan.version == 2


def test_a_form_with_a_file_needs_the_token_too_and_carries_it_as_its_first_part(
    plan: PlanStage,
) -> None:
    sent = {"file": ("x.toml", QUIETER.encode(), "text/plain")}
    del plan.client.headers[HEADER]

    def post(token: str) -> int:
        data = {"form_token": token}
        return plan.client.post("/plan/import", data=data, files=sent, headers=OWN).status_code

    assert post("") == 403
    assert post("wrong") == 403
    assert post(form_token_of(secret_of("owner"))) == 200
    assert plan.client.post("/plan/import", files=sent, headers=OWN).status_code == 403


def test_a_text_comes_through_a_form_field_as_it_was() -> None:
    for text in ("", "a\r\nb\nc\n\n", "ä\ufeff\0", GARDEN):
        assert unpacked(packed(text)) == text


@pytest.mark.parametrize("field", ["", "nonsense", "????", packed(GARDEN)[:200]])
def test_what_did_not_arrive_whole_is_refused(field: str) -> None:
    with pytest.raises(CrewMistake):
        unpacked(field)


def test_a_field_that_unfolds_without_end_is_cut_off() -> None:
    with pytest.raises(CrewMistake, match="longer than"):
        unpacked(packed("a" * 5_000_000))
