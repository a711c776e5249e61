"""Goal: owners let people in, give roles and take them, end what should end, and read who did what.

Method: the real application on the real store in memory, used as an owner's browser uses it.
"""

import csv
import io
import re
from html import unescape

import pytest

from haunt.site.asking import FIELD, HEADER
from haunt.site.invitations import NewLink
from tests.site.night import DUSK_MS
from tests.site.stage import NAMES, OWN, PAGES, Stage, secret_of, token_of
from tests.site.test_sign_in import come_in, link, people

WICKED = '<script>alert("x")</script>'


def post(stage: Stage, path: str, **form: str) -> int:
    return stage.client.post(path, headers=OWN, data=form).status_code


def said(stage: Stage, path: str) -> str:
    return unescape(stage.client.get(path).text)


def test_everybody_is_listed_with_role_and_when_they_were_last_seen(stage: Stage) -> None:
    stage.clock.on(3_600_000)
    stage.become("watch")
    stage.client.get("/")
    stage.become("owner")
    text = said(stage, "/people")

    for role, name in NAMES.items():
        assert re.search(rf">{name}</a> <strong>{role}</strong>", text)
    assert 'Wren</a> <strong>watch</strong> <span class="dim">last seen 2026-10-31 19:30' in text
    assert 'Jory</a> <strong>crew</strong> <span class="dim">last seen 2026-10-31 18:30' in text


def test_a_role_given_on_the_page_counts_at_once(stage: Stage) -> None:
    assert post(stage, "/people/3/role", role="crew") == 303
    stage.become("watch")

    assert post(stage, "/hold") == 303, "Wren, who watched, is crew now"


def test_the_last_owner_is_told_why_it_cannot_be(stage: Stage) -> None:
    answer = stage.client.post("/people/1/role", headers=OWN, data={"role": "crew"})

    assert answer.status_code == 422
    assert "make somebody else owner first" in answer.text
    assert post(stage, "/people/1/remove") == 422
    assert people(stage)["Mara"] == "owner"


@pytest.mark.parametrize("role", ["god", "", "nobody", "OWNER"])
def test_a_role_that_is_none_is_refused_everywhere(stage: Stage, role: str) -> None:
    assert post(stage, "/people/3/role", role=role) == 422
    assert post(stage, "/people/links", role=role, hours="1") == 422
    assert post(stage, "/people/tokens", role=role, name="x") == 422
    assert people(stage) == {name: role for role, name in NAMES.items()}


def test_a_removed_person_is_out_at_once_and_may_be_joined_anew(stage: Stage) -> None:
    assert post(stage, "/people/3/remove") == 303

    assert stage.entrance.doors.by_cookie(secret_of("watch")) is None
    assert "Wren" not in people(stage)
    assert stage.client.get("/people/3").status_code == 404


def test_an_owner_ends_all_sessions_of_a_person(stage: Stage) -> None:
    assert post(stage, "/people/2/sign-out") == 303

    assert stage.entrance.doors.by_cookie(secret_of("crew")) is None
    assert "Nowhere." in said(stage, "/people/2")


def test_one_ends_another_device_of_ones_own_but_none_of_somebody_else(stage: Stage) -> None:
    assert post(stage, "/account/sessions/3/end") == 303
    assert stage.entrance.doors.by_cookie(secret_of("watch")) is not None

    assert post(stage, "/account/sessions/1/end") == 303
    assert stage.entrance.doors.by_cookie(secret_of("owner")) is None


def test_a_code_is_listed_without_itself_and_ends_when_told(stage: Stage) -> None:
    code = link(stage, NewLink("join", "watch", 2, 5))
    text = said(stage, "/people")
    assert "Join as <strong>watch</strong>, 5 left" in text
    assert "until 2026-10-31 20:30" in text
    assert code not in text

    [each] = stage.entrance.doors.links()
    assert post(stage, f"/people/links/{each.id}/end") == 303

    stage.become("")
    assert come_in(stage, "/join", code, "Vex") == 410


@pytest.mark.parametrize(
    "form",
    [{"hours": "0"}, {"hours": "-1"}, {"hours": "nan"}, {"hours": "1e9"}, {"uses": "0"}],
    ids=str,
)
def test_a_code_without_an_end_is_refused(stage: Stage, form: dict[str, str]) -> None:
    assert post(stage, "/people/links", **({"role": "watch", "hours": "1"} | form)) == 422
    assert stage.entrance.doors.links() == []


def test_a_code_to_scan_is_a_picture_without_any_style_of_its_own(stage: Stage) -> None:
    form = {"role": "watch", "hours": "1"}
    text = stage.client.post("/people/links", headers=OWN, data=form).text

    assert '<svg viewBox="0 0' in text
    assert 'class="qr"' in text
    assert "style=" not in text


def test_a_token_is_shown_once_and_works_until_it_is_ended(stage: Stage) -> None:
    form = {"name": "graphs", "role": "watch", "days": "30"}
    answer = stage.client.post("/people/tokens", headers=OWN, data=form)
    [token] = re.findall(r"<code>(haunt_[\w-]+)</code>", answer.text)
    text = said(stage, "/people")
    assert token not in text
    assert f"<code>{token[:12]}…</code>" in text
    assert "last used never, until 2026-11-30" in text

    def asked() -> int:
        headers = {"authorization": f"Bearer {token}"}
        return stage.client.get("/api/v1/props", headers=headers).status_code

    assert asked() == 200
    assert "last used 2026-10-31 18:30" in said(stage, "/people")
    assert post(stage, "/people/tokens/4/end") == 303
    assert asked() == 401


def test_a_name_cannot_become_markup(stage: Stage) -> None:
    stage.entrance.book.add_person(WICKED, "crew", "", DUSK_MS)  # type: ignore[attr-defined]
    stage.entrance.doors.look()
    post(stage, "/people/4/role", role="watch")
    stage.entrance.logbook.write_now()

    for path in ("/people", "/people/4", "/logbook", "/account"):
        text = stage.client.get(path).text
        assert WICKED not in text
    assert "&lt;script&gt;" in stage.client.get("/logbook").text


def test_a_person_who_is_not_there_is_told(stage: Stage) -> None:
    assert stage.client.get("/people/99").status_code == 404
    for what in ("role", "link", "sign-out", "remove"):
        assert post(stage, f"/people/99/{what}", role="crew") == 404


@pytest.mark.parametrize("path", [*PAGES, "/nothing"])
def test_every_form_of_every_page_carries_the_token_for_browsers_without_scripts(
    stage: Stage, path: str
) -> None:
    text = stage.client.get(path).text
    forms = re.findall(r'<form method="post" action="([^"]+)"[^>]*>(.*?)</form>', text, re.DOTALL)

    bare = [action for action, inside in forms if f'name="{FIELD}"' not in inside]
    assert [each for each in bare if each not in {"/theme", "/clock"}] == []
    assert f'name="{FIELD}" value=""' not in text
    assert text.count(HEADER) == 1
    assert len(forms) >= 2


# --- who did what


def a_busy_evening(stage: Stage) -> None:
    for number in range(60):
        stage.client.post(f"/props/owl/{'hold' if number % 2 else 'release'}", headers=OWN)
        stage.clock.on(1_000)
    stage.entrance.logbook.write_now()


def test_the_log_is_read_newest_first_and_leads_to_what_was_earlier(stage: Stage) -> None:
    a_busy_evening(stage)
    newest = said(stage, "/logbook")
    assert newest.count("<li><time") == 50
    [older] = re.findall(r'href="(/logbook\?before=\d+)"', newest)

    assert said(stage, older).count("<li><time") == 10
    assert "<strong>Mara</strong> hold: owl" in newest


def test_the_log_comes_whole_as_csv_and_as_json_from_pages_and_from_the_api(stage: Stage) -> None:
    a_busy_evening(stage)
    rows = list(csv.DictReader(io.StringIO(stage.client.get("/logbook.csv").text, newline="")))
    plain = stage.client.get("/logbook.json").json()["items"]
    stage.show_token("owner")
    by_api = stage.client.get("/api/v1/logbook?limit=1000").json()["items"]

    assert len(rows) == 60
    assert plain == by_api
    assert [{key: str(value) for key, value in each.items()} for each in plain] == rows
    assert rows[1] == {
        "id": "2",
        "at": "2026-10-31T18:30:01.000Z",
        "who": "Mara",
        "address": "testclient",
        "what": "hold",
        "about": "owl",
        "result": "done",
    }


def test_the_log_is_for_owners(stage: Stage) -> None:
    for role in ("crew", "watch"):
        stage.become(role)
        for path in ("/logbook", "/logbook.csv", "/logbook.json", "/people"):
            assert stage.client.get(path).status_code == 403
    answer = stage.client.get(
        "/api/v1/logbook", headers={"authorization": f"Bearer {token_of('crew')}"}
    )
    assert answer.status_code == 403


def test_what_owners_do_about_people_is_in_the_log_by_name(stage: Stage) -> None:
    post(stage, "/people/3/role", role="crew")
    post(stage, "/people/3/link")
    post(stage, "/people/links", role="watch", hours="2", uses="3")
    post(stage, "/people/tokens", role="watch", name="graphs")
    post(stage, "/people/3/remove")
    stage.entrance.logbook.write_now()

    found = [(each["what"], each["about"]) for each in stage.entrance.book.logbook().items]

    assert found == [
        ("role", "Wren: crew"),
        ("sign-in link made", "Wren"),
        ("join link made", "watch, 3 times, 2 h"),
        ("token made", "graphs, watch"),
        ("person removed", "Wren"),
    ]
