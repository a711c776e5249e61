"""Goal: people come in by their password or by a link, each as often as allowed, and leave wholly.

Method: the real application on the real store in memory, asked as a browser asks; its own clock.
"""

import logging
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx2
import pytest

from haunt.site.asking import HEADER, own_path, unmasked
from haunt.site.doors import form_token_of
from haunt.site.invitations import NewLink
from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from haunt.store.roster import hash_of
from haunt.store.schema import upgrade
from tests.site.stage import COOKIE, HERE, OWN, Stage, a_stage, secret_of

WORDS = "seven lamps in a row"
HOUR_MS = 3_600_000


@pytest.fixture
def stage() -> Iterator[Stage]:
    """Nobody is signed in; Mara has a password."""
    with a_stage(role="") as found:
        store = found.entrance.book
        assert isinstance(store, PeopleStore)
        store.set_password(1, found.entrance.passwords._hasher.hash(WORDS))
        found.entrance.doors.look()
        yield found


def sign_in(
    stage: Stage, name: str = "Mara", password: str = WORDS, **more: str
) -> httpx2.Response:
    form = {"name": name, "password": password, **more}
    return stage.client.post("/sign-in", data=form, headers=OWN)


def link(stage: Stage, new: NewLink) -> str:
    code, kept = new.drawn(stage.clock.wall_ms(), "Mara")
    stage.entrance.book.add_link(kept)
    stage.entrance.doors.look()
    return code


def come_in(stage: Stage, path: str, code: str, name: str = "", password: str = "") -> int:
    form = {"code": code, "name": name, "password": password}
    return stage.client.post(path, data=form, headers=OWN).status_code


def people(stage: Stage) -> dict[str, str]:
    return {each.name: each.role for each in stage.entrance.doors.roster.people}


# --- name and password


def test_the_right_password_opens_a_session_and_leads_back(stage: Stage) -> None:
    asked = stage.client.get("/log?prop=owl")
    assert asked.headers["location"] == "/sign-in?next=%2Flog%3Fprop%3Dowl"
    page = stage.client.get(asked.headers["location"])
    assert 'value="/log?prop=owl"' in page.text

    answer = sign_in(stage, next="/log?prop=owl")

    assert (answer.status_code, answer.headers["location"]) == (303, "/log?prop=owl")
    assert stage.client.get("/").status_code == 200


@pytest.mark.parametrize(("name", "password"), [("Mara", "six lamps"), ("Nobody", WORDS)])
def test_a_wrong_password_and_a_name_that_nobody_has_are_told_alike(
    stage: Stage, name: str, password: str
) -> None:
    answer = sign_in(stage, name, password)

    assert answer.status_code == 401
    assert "Name or password is wrong." in answer.text
    assert f'value="{name}"' in answer.text, "what was typed stays, but no password"
    assert password not in answer.text
    assert "set-cookie" not in answer.headers


def test_who_has_no_password_cannot_come_in_by_an_empty_one(stage: Stage) -> None:
    for password in ("", " ", "none"):
        assert sign_in(stage, "Wren", password).status_code == 401


def test_the_cookie_is_for_this_site_alone_and_out_of_reach_of_scripts(stage: Stage) -> None:
    cookie = sign_in(stage).headers["set-cookie"]

    assert cookie.startswith(f"{COOKIE}=")
    parts = {each.strip().lower() for each in cookie.split(";")[1:]}
    assert {"httponly", "samesite=lax", "path=/"} <= parts
    assert not any(each.startswith("domain") for each in parts)
    assert "secure" not in parts, "on plain http it would never come back"


def test_on_https_the_cookie_is_secure_and_bound_to_the_host(stage: Stage) -> None:
    stage.client.base_url = httpx2.URL("https://127.0.0.1")
    answer = stage.client.post(
        "/sign-in",
        data={"name": "Mara", "password": WORDS},
        headers={"origin": "https://127.0.0.1"},
    )

    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-haunt-")
    assert "secure" in cookie.lower().split("; ")
    assert stage.client.get("/").status_code == 200


def test_a_session_that_somebody_planted_is_not_the_one_that_is_opened(stage: Stage) -> None:
    stage.client.cookies.set(COOKIE, "planted")
    answer = sign_in(stage)
    fresh = answer.cookies[COOKIE]

    assert fresh != "planted"
    assert stage.entrance.doors.by_cookie("planted") is None
    assert stage.entrance.doors.by_cookie(fresh) is not None


def test_signing_in_again_ends_the_session_before(stage: Stage) -> None:
    first = sign_in(stage).cookies[COOKIE]
    second = sign_in(stage).cookies[COOKIE]

    assert first != second
    assert stage.entrance.doors.by_cookie(first) is None
    assert stage.entrance.doors.by_cookie(second) is not None


@pytest.mark.parametrize(
    "wanted",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "javascript:alert(1)",
        "/\n//evil.example",
        "/\t/evil.example",
        "evil.example",
        "",
        "/ünicode",
    ],
)
def test_nobody_is_sent_to_another_site_after_signing_in(stage: Stage, wanted: str) -> None:
    assert own_path(wanted) == "/"
    assert sign_in(stage, next=wanted).headers["location"] == "/"
    assert 'name="next" value="/"' in stage.client.get("/sign-in", params={"next": wanted}).text


def test_guesses_are_slowed_by_name_and_told_when_to_come_again(stage: Stage) -> None:
    statuses = [sign_in(stage, password="a wrong guess").status_code for _ in range(3)]
    slowed = sign_in(stage)

    assert statuses == [401, 401, 401]
    assert slowed.status_code == 429
    assert slowed.headers["retry-after"] == "4"
    assert "Try again in 4 s" in slowed.text
    stage.clock.on(4_000)
    assert sign_in(stage).status_code == 303


def test_a_name_that_nobody_has_is_slowed_alike(stage: Stage) -> None:
    statuses = [sign_in(stage, "Nobody", "a wrong guess").status_code for _ in range(4)]

    assert statuses == [401, 401, 401, 429]


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "http://127.0.0.1:81"])
@pytest.mark.parametrize("path", ["/sign-in", "/join", "/set-up", "/link"])
def test_another_site_cannot_sign_a_browser_in(stage: Stage, path: str, origin: str | None) -> None:
    code = link(stage, NewLink("join", "watch", 1))
    form = {"name": "Mara", "password": WORDS, "code": code}
    headers = {"origin": origin} if origin is not None else {}
    before = people(stage)

    answer = stage.client.post(path, data=form, headers=headers)

    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert people(stage) == before


def test_a_stranger_sees_nothing_of_the_night(stage: Stage) -> None:
    for path in ("/sign-in", "/join?code=x", "/set-up", "/link", "/static/nothing"):
        text = stage.client.get(path).text
        assert "Tin owl" not in text
        assert 'action="/stop"' not in text, "a stop that would not stop"
        assert "not an emergency stop" in text


def test_whoever_comes_before_the_first_owner_is_told_of_the_link(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    said, known = "Nobody owns this show yet.", stage.entrance.doors._known
    assert said not in stage.client.get("/sign-in").text
    nobody = replace(known, roster=known.roster._replace(people=()))
    monkeypatch.setattr(stage.entrance.doors, "_known", nobody)
    assert said in stage.client.get("/sign-in").text


# --- links


def test_a_watch_comes_in_by_a_scanned_link_with_a_name_alone(stage: Stage) -> None:
    code = link(stage, NewLink("join", "watch", 1))
    page = stage.client.get("/join", params={"code": code})
    assert "password" not in page.text

    assert come_in(stage, "/join", code, "Tamsin") == 303

    assert people(stage)["Tamsin"] == "watch"
    assert stage.client.get("/").status_code == 200


def test_opening_a_link_uses_nothing(stage: Stage) -> None:
    code = link(stage, NewLink("join", "watch", 1))
    for _ in range(5):
        assert stage.client.get("/join", params={"code": code}).status_code == 200
        assert stage.client.head("/join", params={"code": code}).status_code == 405

    assert come_in(stage, "/join", code, "Tamsin") == 303


@pytest.mark.parametrize("role", ["crew", "owner"])
def test_crew_and_owners_need_a_password_of_their_own(stage: Stage, role: str) -> None:
    code = link(stage, NewLink("join", role, 1))

    assert come_in(stage, "/join", code, "Tamsin") == 422
    assert come_in(stage, "/join", code, "Tamsin", "short") == 422
    assert "Tamsin" not in people(stage)
    assert come_in(stage, "/join", code, "Tamsin", WORDS) == 303
    stage.become("")
    assert sign_in(stage, "tamsin").status_code == 303, "a name is one in any case"


def test_a_link_says_so_when_it_is_spent_over_or_none(stage: Stage) -> None:
    spent, over = (link(stage, NewLink("join", "watch", 1)) for _ in range(2))
    come_in(stage, "/join", spent, "Tamsin")
    stage.clock.on(HOUR_MS)

    for code in (spent, over, "never was", ""):
        for answer in (
            stage.client.get("/join", params={"code": code}),
            stage.client.post("/join", data={"code": code, "name": "Vex"}, headers=OWN),
        ):
            assert answer.status_code == 410
            assert "was used, has ended or was taken back" in answer.text
    assert "Vex" not in people(stage)


def test_a_link_of_one_kind_is_none_of_another(stage: Stage) -> None:
    code = link(stage, NewLink("join", "watch", 1))

    assert come_in(stage, "/set-up", code, "Vex", WORDS) == 410
    assert come_in(stage, "/link", code) == 410


def test_a_name_that_is_taken_is_told_and_the_link_still_works(stage: Stage) -> None:
    code = link(stage, NewLink("join", "watch", 1))
    answer = stage.client.post("/join", data={"code": code, "name": "WREN"}, headers=OWN)

    assert answer.status_code == 422
    assert "called WREN already" in answer.text
    assert 'value="WREN"' in answer.text
    assert come_in(stage, "/join", code, "Wren 2") == 303


def test_a_sign_in_link_is_for_one_person_and_works_once(stage: Stage) -> None:
    code = link(stage, NewLink("sign-in", "crew", 1, 1, 2))
    assert "Sign in as Jory" in stage.client.get("/link", params={"code": code}).text

    assert come_in(stage, "/link", code, "Mara") == 303
    assert "Jory, crew" in stage.client.get("/").text
    assert come_in(stage, "/link", code) == 410


@pytest.fixture
def on_disk(tmp_path: Path) -> Iterator[Stage]:
    """Two at once need connections of their own, which a database in memory has not."""
    writing, reading = open_engines(tmp_path)
    upgrade(writing)
    with a_stage(role="", store=PeopleStore(writing, reading)) as found:
        yield found
    writing.dispose()
    reading.dispose()


def test_the_set_up_link_makes_one_owner_whoever_comes_second(on_disk: Stage) -> None:
    stage = on_disk
    code, kept = NewLink("set-up", "owner", 1).drawn(stage.clock.wall_ms(), "here")
    store = stage.entrance.book
    assert isinstance(store, PeopleStore)
    assert store.set_up_link(kept, if_ownerless=False)
    stage.entrance.doors.look()

    with ThreadPoolExecutor(2) as pool:
        done = list(
            pool.map(lambda name: come_in(stage, "/set-up", code, name, WORDS), ("Ada", "Bea"))
        )

    assert sorted(done) == [303, 410]
    assert len(set(people(stage)) & {"Ada", "Bea"}) == 1
    assert come_in(stage, "/set-up", code, "Cai", WORDS) == 410


def test_a_link_made_by_another_process_works_at_once(stage: Stage) -> None:
    code, kept = NewLink("join", "watch", 1).drawn(stage.clock.wall_ms(), "here")
    stage.entrance.book.add_link(kept)

    assert stage.client.get("/join", params={"code": code}).status_code == 200


# --- leaving, and one's own password


def page_of(stage: Stage, path: str) -> str:
    return unescape(stage.client.get(path).text)


def form_token(stage: Stage) -> str:
    found = re.search(r'name="form_token" value="([0-9a-f]{128})"', page_of(stage, "/account"))
    assert found is not None
    return found[1]


def test_signing_out_ends_the_session_and_not_only_the_cookie(stage: Stage) -> None:
    secret = sign_in(stage).cookies[COOKIE]
    answer = stage.client.post("/sign-out", headers=OWN, data={"form_token": form_token(stage)})

    assert answer.headers["location"] == "/sign-in"
    assert stage.entrance.doors.by_cookie(secret) is None
    stage.client.cookies.set(COOKIE, secret)
    assert stage.client.get("/").status_code == 303


def test_signing_out_everywhere_ends_all_of_ones_own_and_no_others(stage: Stage) -> None:
    sign_in(stage)
    stage.client.post("/sign-out-everywhere", headers=OWN, data={"form_token": form_token(stage)})

    assert stage.entrance.doors.sessions_of(1) == []
    assert stage.entrance.doors.by_cookie(secret_of("crew")) is not None


def test_a_new_password_needs_the_old_one_and_ends_the_other_sessions(stage: Stage) -> None:
    secret = sign_in(stage).cookies[COOKIE]
    new = "eight lamps in a row"

    def change(old: str) -> int:
        form = {"old": old, "new": new, "form_token": form_token(stage)}
        return stage.client.post("/account/password", headers=OWN, data=form).status_code

    assert change("six lamps in a row") == 422
    assert change(WORDS) == 200
    assert stage.entrance.doors.by_cookie(secret) is not None, "this device stays"
    assert stage.entrance.doors.by_cookie(secret_of("owner")) is None, "the other one does not"
    assert sign_in(stage, password=WORDS).status_code == 401
    assert sign_in(stage, password=new).status_code == 303


def test_who_came_without_a_password_may_set_one(stage: Stage) -> None:
    stage.become("watch")
    form = {"new": WORDS}
    assert stage.client.post("/account/password", headers=OWN, data=form).status_code == 200

    stage.become("")
    assert sign_in(stage, "Wren").status_code == 303


# --- secrets


def test_no_secret_is_logged_or_kept_in_clear(
    stage: Stage, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    code = link(stage, NewLink("join", "crew", 1))
    secret = sign_in(stage).cookies[COOKIE]
    form = form_token(stage)
    stage.become("")
    sign_in(stage, "Mara", "a wrong guess")
    come_in(stage, "/join", code, "Tamsin", "eight lamps in a row")
    stage.client.get("/join", params={"code": code})
    stage.entrance.logbook.write_now()

    secrets = [WORDS, "a wrong guess", "eight lamps in a row", code, secret, form]
    kept = str(stage.entrance.book.roster()) + str(stage.entrance.book.logbook(limit=100).items)
    ours = "\n".join(each.getMessage() for each in caplog.records if each.name.startswith("haunt"))
    assert hash_of(secret) in kept, "this is where it would be"
    for each in secrets:
        assert each not in kept
        assert each not in ours


def test_the_address_to_scan_has_its_code_where_no_log_of_ours_writes_it(stage: Stage) -> None:
    stage.become("owner")
    answer = stage.client.post(
        "/people/links", headers=OWN, data={"role": "crew", "hours": "2", "uses": "3"}
    )

    [url] = re.findall(r"<code>(http[^<]+)</code>", answer.text)
    parts = urlsplit(unescape(url))
    assert f"{parts.scheme}://{parts.netloc}{parts.path}" == f"{HERE}/join"
    [code] = parse_qs(parts.query)["code"]
    stage.become("")
    assert come_in(stage, "/join", code, "Tamsin", WORDS) == 303
    assert people(stage)["Tamsin"] == "crew"


def test_a_page_of_a_session_proves_its_forms_by_header_or_field(stage: Stage) -> None:
    secret = sign_in(stage).cookies[COOKIE]

    assert unmasked(form_token(stage).encode()) == form_token_of(secret).encode()
    [shown] = re.findall(rf'{{"{HEADER}": "([0-9a-f]+)"}}', page_of(stage, "/"))
    assert unmasked(shown.encode()) == form_token_of(secret).encode()
    own = {**OWN, HEADER: shown}
    assert stage.client.post("/hold", headers=own).status_code == 303
    assert stage.client.post("/hold", headers={**OWN, HEADER: shown[::-1]}).status_code == 403
