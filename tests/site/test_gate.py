"""Goal: a change needs a session, our own origin and our own page's token; a stop needs no more
than that, whatever else hangs; what people do is written down.

Method: the real application in memory; what can hang is made to hang.
"""

import asyncio
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest

from haunt.live.crew import Crew
from haunt.live.views import PropWord
from haunt.site.app import create_app
from haunt.site.asking import FIELD, HEADER
from haunt.site.doors import form_token_of
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.logbook import STRANGERS_A_MINUTE, Logbook
from haunt.site.passwords import WAITING_MAX, WORKERS, Passwords
from haunt.site.ports import Services
from haunt.site.rights import CREW, NOBODY, RIGHTS, Right
from haunt.site.security import SAFE
from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from haunt.store.refusal import StoreRefused
from haunt.store.roster import Deed, Opening, hash_of
from haunt.store.schema import upgrade
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import (
    COOKIE,
    HTMX,
    NAMES,
    OWN,
    Stage,
    StandInClock,
    a_stage,
    an_entrance,
    secret_of,
)
from tests.site.test_live import app_of, listen
from tests.site.test_passwords import HeldUp
from tests.site.test_rights import path_of

THERE = "http://127.0.0.1:8431"
"""With a port: an application that is asked without a server has no other."""
OURS = {"origin": THERE}
CHANGES = [each for each in RIGHTS if each.method not in SAFE and each.least > NOBODY]


def deeds(stage: Stage) -> list[dict[str, object]]:
    stage.entrance.logbook.write_now()
    return stage.entrance.book.logbook(limit=1000).items


# --- who may ask for a change


@pytest.mark.parametrize("right", CHANGES, ids=lambda each: f"{each.method} {each.path}")
def test_every_change_by_a_cookie_wants_a_token_and_our_own_origin(right: Right) -> None:
    with a_stage() as stage:
        method, path = right.method, path_of(right)
        del stage.client.headers[HEADER]
        token = form_token_of(secret_of("owner"))
        refused = [
            (OWN, {}),
            (OWN | {HEADER: "0" * 64}, {}),
            (OWN | {HEADER: form_token_of(secret_of("crew"))}, {}),
            (OWN, {FIELD: "0" * 64}),
            (OWN | {HEADER: "\u00e9"}, {}),
            ({HEADER: token}, {}),
            ({HEADER: token, "origin": "null"}, {}),
            ({HEADER: token, "origin": "http://evil.example"}, {}),
            ({HEADER: token, "origin": "http://127.0.0.1:81"}, {}),
            ({HEADER: token, "origin": "https://127.0.0.1.evil.example"}, {}),
            ({HEADER: token, "referer": "http://evil.example/http://127.0.0.1/"}, {}),
        ]
        for headers, form in refused:
            raw = {name.encode(): value.encode("latin-1") for name, value in headers.items()}
            answer = stage.client.request(method, path, headers=raw, data=form or None)
            assert answer.status_code == 403, (headers, form)
        assert stage.desk.orders == []
        assert len(stage.entrance.doors.roster.people) == 3
        assert len(stage.entrance.doors.roster.sessions) == 3


@pytest.mark.parametrize("path", ["/stop", "/hold", "/gentle", "/props/owl/hold"])
def test_a_form_without_scripts_proves_itself_by_its_field(stage: Stage, path: str) -> None:
    del stage.client.headers[HEADER]
    form = {FIELD: form_token_of(secret_of("owner"))}

    assert stage.client.post(path, headers=OWN, data=form).status_code == 303
    assert len(stage.desk.orders) == 1


def test_a_form_keeps_its_other_fields_after_the_gate_has_read_it(stage: Stage) -> None:
    del stage.client.headers[HEADER]
    form = {"cooldown_s": "20", FIELD: form_token_of(secret_of("owner"))}

    assert stage.client.post("/props/owl/cooldown", headers=OWN, data=form).status_code == 303
    assert stage.desk.view().props["owl"].cooldown_ms == 20_000


def test_a_form_too_large_to_look_through_is_refused(stage: Stage) -> None:
    del stage.client.headers[HEADER]
    form = {"pad": "x" * 70_000, FIELD: form_token_of(secret_of("owner"))}

    assert stage.client.post("/hold", headers=OWN, data=form).status_code == 403
    assert stage.desk.orders == []


def test_a_cookie_alone_moves_nothing_over_the_api(stage: Stage) -> None:
    del stage.client.headers[HEADER]

    assert stage.client.post("/api/v1/stop").status_code == 403
    assert stage.client.post("/api/v1/stop", headers=OWN).status_code == 403
    assert stage.client.get("/api/v1/props").status_code == 200
    assert stage.desk.orders == []


@pytest.mark.parametrize("shown", ["Bearer wrong", "Basic TWFyYTp4", "Bearer", "", "bearer  "])
def test_a_wrong_token_is_nobody_even_beside_a_good_cookie(stage: Stage, shown: str) -> None:
    answer = stage.client.get("/api/v1/props", headers={"authorization": shown})

    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_token_is_no_session_for_pages(stage: Stage) -> None:
    stage.show_token("owner")

    assert stage.client.get("/api/v1/props").status_code == 200
    assert stage.client.get("/people").status_code == 303
    assert stage.client.post("/stop", headers=OWN).status_code == 401


def test_a_session_that_has_ended_is_told_to_a_page_and_to_htmx(stage: Stage) -> None:
    stage.client.cookies.set(COOKIE, "ended")

    assert stage.client.post("/stop", headers=OWN).status_code == 401
    by_htmx = stage.client.post("/stop", headers=HTMX)
    assert by_htmx.status_code == 401
    assert "your session has ended" in by_htmx.text
    assert 'hx-target="#notice"' in by_htmx.text
    assert stage.client.get("/stream").status_code == 401


def test_a_stranger_is_told_what_is_not_ready_and_not_why(stage: Stage) -> None:
    stage.desk.change(link_up=False)
    assert stage.client.get("/readyz").json()["faults"] == {"broker": "no link to the broker"}
    stage.show_token("watch")
    assert stage.client.get("/readyz").json()["faults"]["broker"]
    stage.become("")

    assert stage.client.get("/readyz").json() == {"ready": False, "faults": {"broker": ""}}


def test_on_a_host_that_is_not_ours_not_even_a_good_session_counts(stage: Stage) -> None:
    for path in ("/", "/sign-in", "/api/v1/props"):
        answer = stage.client.get(path, headers={"host": "evil.example"})
        assert answer.status_code == 400
        assert "Tin owl" not in answer.text


def test_the_guest_of_a_demo_needs_no_account_but_our_own_page() -> None:
    with a_stage(role="", guest=CREW) as stage:
        text = stage.client.get("/").text
        assert "guest, crew" in text
        assert stage.client.post("/stop", headers=OWN).status_code == 403
        assert stage.desk.orders == []
        assert stage.entrance.doors.guest is not None
        form = {FIELD: stage.entrance.doors.guest.form_token}
        assert stage.client.post("/stop", headers=OWN, data=form).status_code == 303
        assert stage.client.post("/api/v1/props/owl/hold").status_code == 200, "a program"
        assert stage.client.post("/api/v1/props/owl/hold", headers=OWN).status_code == 403
        assert stage.client.get("/people").status_code == 403


# --- a stop whatever hangs


def an_app(entrance: Entrance, desk: StandInDesk) -> object:
    services = Services(
        Crew(desk), StandInReader(), StandInKeeper(desk), Hub(), lambda: DUSK_MS, entrance
    )
    return create_app(services)


def signed(role: str) -> dict[str, str]:
    secret = secret_of(role)
    return {**OURS, "cookie": f"haunt-8431={secret}", HEADER: form_token_of(secret)}


def test_a_stop_goes_through_while_all_passwords_wait_and_the_account_is_backed_off() -> None:
    hasher, desk = HeldUp(), StandInDesk(a_night())
    entrance = an_entrance(passwords=Passwords(hasher))

    async def story() -> None:
        transport = httpx2.ASGITransport(an_app(entrance, desk))  # type: ignore[arg-type]
        async with httpx2.AsyncClient(transport=transport, base_url=THERE) as client:
            names = [f"Name {number}" for number in range(WORKERS + WAITING_MAX - 3)]
            asked = [
                asyncio.create_task(
                    client.post(
                        "/sign-in", data={"name": each, "password": "a guess"}, headers=OURS
                    )
                )
                for each in [*names, "Wren", "Wren", "Wren"]
            ]
            for _ in range(1_000):
                await asyncio.sleep(0)  # each has its turn until it waits for its password
            assert entrance.passwords.taken == WORKERS + WAITING_MAX

            busy = await client.post("/sign-in", data={"name": "x", "password": "y"}, headers=OURS)
            slow = await client.post("/sign-in", data={"name": "Wren"}, headers=OURS)
            stopped = await client.post("/stop", headers=signed("watch"))
            by_api = await client.post("/api/v1/stop", headers=signed("watch"))

            assert (busy.status_code, busy.headers["retry-after"]) == (503, "2")
            assert slow.status_code == 429
            assert (stopped.status_code, by_api.status_code) == (303, 200)
            assert desk.view().stopped
            assert not any(each.done() for each in asked), "they wait still"
            hasher.let_go.set()
            await asyncio.gather(*asked)

    asyncio.run(story())
    entrance.passwords.close()


@pytest.fixture
def on_disk(tmp_path: Path) -> Iterator[PeopleStore]:
    writing, reading = open_engines(tmp_path)
    upgrade(writing)
    yield PeopleStore(writing, reading)
    writing.dispose()
    reading.dispose()


def test_a_stop_goes_through_while_the_database_is_locked_and_is_written_down_later(
    on_disk: PeopleStore, tmp_path: Path
) -> None:
    desk, clock = StandInDesk(a_night()), StandInClock()
    entrance = an_entrance(clock, store=on_disk)
    entrance.start()
    locking = sqlite3.connect(tmp_path / "haunt.db", isolation_level=None)
    locking.execute("BEGIN EXCLUSIVE")

    async def story() -> int:
        transport = httpx2.ASGITransport(an_app(entrance, desk))  # type: ignore[arg-type]
        async with httpx2.AsyncClient(transport=transport, base_url=THERE) as client:
            answer = await asyncio.wait_for(client.post("/stop", headers=signed("watch")), 1.0)
            return answer.status_code

    try:
        assert asyncio.run(story()) == 303
        assert desk.view().stopped
        assert on_disk.logbook(limit=10).items == []
    finally:
        locking.execute("ROLLBACK")
        locking.close()
    entrance.stop()
    [deed] = on_disk.logbook(limit=10).items
    assert (deed["who"], deed["what"], deed["result"]) == ("Wren", "stop", "done")


def test_a_stop_asks_no_database_and_no_thread() -> None:
    class Untouched(PeopleStore):
        is_closed = False

        def _forbidden(self) -> None:
            assert not self.is_closed, f"asked in {threading.current_thread().name}"

        def version(self) -> str:
            self._forbidden()
            return super().version()

    desk = StandInDesk(a_night())
    entrance = an_entrance()
    inner = entrance.book
    assert isinstance(inner, PeopleStore)
    book = Untouched(inner._writing, inner._reading)
    found = Entrance(book, StandInClock())
    found.doors.look(again=True)
    book.is_closed = True

    async def story() -> list[int]:
        before = threading.active_count()
        transport = httpx2.ASGITransport(an_app(found, desk))  # type: ignore[arg-type]
        async with httpx2.AsyncClient(transport=transport, base_url=THERE) as client:
            known = await client.post("/stop", headers=signed("crew"))
            unknown = await client.post("/stop", headers=OURS | {"cookie": "haunt-8431=x"})
            assert threading.active_count() == before
            return [known.status_code, unknown.status_code]

    assert asyncio.run(story()) == [303, 401]


# --- who is shown the door while a stream is open


@pytest.mark.parametrize("path", ["/api/v1/live", "/stream?page=tonight"])
def test_a_stream_ends_soon_after_its_session_was_ended(path: str) -> None:
    desk, entrance, hub = StandInDesk(a_night()), an_entrance(), Hub()

    def then() -> None:
        entrance.book.end_sessions(3)
        entrance.doors.look()
        desk.change_prop("owl", word=PropWord.PLAYING)
        hub.notify(frozenset())

    sent = listen(app_of(desk, hub, entrance), 9.0, then, path)

    assert sent[0]["status"] == 200
    assert sent[-1] == {"type": "http.response.body", "body": b"", "more_body": False}
    told = b"".join(each.get("body", b"") for each in sent[1:])
    assert b"Playing" not in told
    assert b'"playing"' not in told


# --- the log


def test_what_people_do_is_written_down_with_who_where_what_on_what_and_the_result(
    stage: Stage,
) -> None:
    stage.client.post("/props/owl/hold", headers=OWN)
    stage.client.post("/props/nobody/hold", headers=OWN)
    stage.become("watch")
    stage.client.post("/props/owl/fire", headers=OWN)
    stage.show_token("crew")
    stage.client.post("/api/v1/props/owl/fire")

    found = [(e["who"], e["what"], e["about"], e["result"]) for e in deeds(stage)]

    assert found == [
        ("Mara", "hold", "owl", "done"),
        ("Mara", "hold", "nobody", "refused (404)"),
        ("Wren", "fire", "owl", "refused (403)"),
        ("token bench", "fire", "owl", "fired"),
    ]
    assert {each["address"] for each in deeds(stage)} == {"testclient"}
    assert all(str(each["at"]).startswith("2026-10-31T18:30:00") for each in deeds(stage))


def test_a_look_and_a_theme_are_no_deeds_and_a_stranger_without_a_session_leaves_none(
    stage: Stage,
) -> None:
    stage.client.get("/")
    stage.client.post("/theme", headers=OWN, data={"theme": "red"})
    stage.become("")
    stage.client.post("/stop", headers=OWN)

    assert deeds(stage) == []


def test_tries_to_sign_in_are_written_down_without_what_was_typed(stage: Stage) -> None:
    stage.become("")
    for name in ("Wren", "a password by mistake"):
        stage.client.post("/sign-in", data={"name": name, "password": "x"}, headers=OWN)

    found = deeds(stage)

    assert [each["who"] for each in found] == ["Wren", "nobody"]
    assert all("wrong" in str(each["result"]) for each in found)
    assert "mistake" not in str(found)


def deed(number: int, at_ms: int = DUSK_MS) -> Deed:
    return Deed(at_ms, f"n{number}", "", "stop", "", "done")


def test_the_log_is_bounded_counts_what_it_lost_and_keeps_what_a_full_disk_refused() -> None:
    kept: list[Deed] = []
    is_full = True

    def write(batch: object) -> None:
        if is_full:
            raise StoreRefused("disk full")
        kept.extend(batch)  # type: ignore[arg-type]

    logbook = Logbook(write, queue_max=300)
    for number in range(310):
        logbook.put(deed(number))
    with pytest.raises(StoreRefused):
        logbook.write_now()
    is_full = False
    logbook.write_now()

    assert [each.who for each in kept] == [f"n{number}" for number in range(300)]
    assert logbook.lost == 10


def test_strangers_fill_no_disk_and_push_out_nobody() -> None:
    kept: list[Deed] = []
    logbook = Logbook(kept.extend)
    for number in range(5_000):
        logbook.put(deed(number), is_stranger=True)
    logbook.put(deed(5_000))
    logbook.put(deed(5_001, DUSK_MS + 60_000), is_stranger=True)
    logbook.write_now()

    assert len(kept) == STRANGERS_A_MINUTE + 2
    assert logbook.lost == 5_000 - STRANGERS_A_MINUTE


def test_last_seen_is_kept_and_ended_sessions_are_forgotten() -> None:
    clock = StandInClock()
    entrance = an_entrance(clock)
    clock.on(120_000)
    for role in NAMES:
        assert entrance.doors.by_cookie(secret_of(role)) is not None
    entrance.keep()
    assert {each.seen_ms for each in entrance.book.roster().people} == {DUSK_MS + 120_000}

    clock.on(15 * 86_400_000)
    entrance.book.open_session(1, Opening(hash_of("fresh"), clock.wall_ms(), "", ""))
    entrance.doors.look()
    entrance.keep()

    assert [each.hash for each in entrance.book.roster().sessions] == [hash_of("fresh")]
