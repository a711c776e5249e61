"""Goal: alerts stand on top in words, are told once, and can be acknowledged by page and program.

Method: views with alerts of an invented evening, and the application with a desk that keeps orders.
"""

from dataclasses import replace
from typing import Any

import pytest

from haunt.live.alerts.kinds import Kind
from haunt.live.alerts.watch import AlertSeen
from haunt.live.views import AlertView, Counters, NightView, PropWord
from haunt.site.alerts import SHOWN_MAX, alerts_of, untold
from haunt.site.lists import ALERT_COLUMNS
from haunt.site.presenter import Presenter
from tests.site.night import DUSK_MS, a_night, a_prop
from tests.site.stage import HTMX, OWN, Stage, a_stage


def an_alert(kind: Kind, subject: str = "", number: int = 71, **more: Any) -> AlertView:
    plain = AlertView(
        key=f"{kind} {subject}",
        since_ms=DUSK_MS,
        text=f"{subject} has {kind}",
        id=number,
        kind=kind,
        subject=subject,
        todo="Look at it.",
        last_ms=DUSK_MS + 1000,
    )
    return replace(plain, **more)


def night_of(*alerts: AlertView, **more: Any) -> NightView:
    owl = a_prop("owl", "Tin owl", PropWord.LOST, "pear tree", unconfirmed=True, charge_percent=9)
    return replace(a_night([owl]), alerts=alerts, **more)


def said(night: NightView) -> list[str]:
    return [each.what for each in Presenter(night).needs().needs]


def test_an_alert_is_a_word_a_shape_digits_a_place_and_what_to_do() -> None:
    alert = an_alert(Kind.LOST, "b-owl", severity="now", count=3)

    [line] = alerts_of(night_of(alert), lambda ms: f"<{ms - DUSK_MS}>").first

    assert (line.word, line.shape, line.since) == ("Now", "cross", "<0>")
    assert line.what == "b-owl has lost"
    assert line.todo == "Look at it."
    assert line.facts == "3 times, board b-owl"
    assert line.href == "/props/owl"


def test_what_is_over_says_so_and_when_it_came() -> None:
    alert = an_alert(Kind.LINK, severity="now", over_ms=DUSK_MS + 9)

    [line] = alerts_of(night_of(alert), lambda ms: f"<{ms - DUSK_MS}>").first

    assert (line.word, line.shape, line.since) == ("Over", "hollow", "<9>")
    assert line.facts == "came <0>"
    assert line.href == ""


def test_what_somebody_has_seen_stands_apart_with_the_name() -> None:
    found = alerts_of(
        night_of(an_alert(Kind.LINK), an_alert(Kind.DISK, number=72, seen_by="Ada")), str
    )

    assert [each.id for each in found.first] == [71]
    assert [(each.id, each.facts) for each in found.seen] == [(72, "seen by Ada")]
    assert found.count == 2


def test_a_phone_is_shown_a_few_and_the_number_of_the_rest() -> None:
    many = [an_alert(Kind.NONSENSE, f"b{n}", n) for n in range(1, 41)]

    found = alerts_of(night_of(*many, alerts_left_out=5), str)

    assert (len(found.first), len(found.more), found.left_out) == (SHOWN_MAX, 32, 5)
    assert found.count == 45


@pytest.mark.parametrize(
    ("kind", "subject", "gone"),
    [
        (Kind.LOST, "b-owl", "Tin owl, pear tree: lost"),
        (Kind.LOST_TOGETHER, "", "Tin owl, pear tree: lost"),
        (Kind.BOOT_LOOP, "b-owl", "Tin owl, pear tree: lost"),
        (Kind.TWO_BOARDS, "b-owl", "Tin owl, pear tree: lost"),
        (Kind.UNCONFIRMED, "owl", "Tin owl did not answer its last cue"),
        (Kind.PACK_LOW, "b-owl", "Tin owl: pack at 9 %"),
        (Kind.PACK_ODD, "b-owl", "Tin owl: pack at 9 %"),
        (Kind.LINK, "", "No broker: nothing can fire"),
        (Kind.JOURNAL, "", "3 motions not journalled"),
        (Kind.NONSENSE, "b-owl", "2 messages made no sense"),
        (Kind.STRANGER, "spare", "4 messages of unknown boards"),
    ],
)
def test_what_an_alert_tells_is_not_told_again(kind: Kind, subject: str, gone: str) -> None:
    counters = Counters(malformed=2, unknown_ids=4, not_journalled=3, journal_failing="full")
    night = night_of(link_up=False, counters=counters)
    before = said(night)
    assert any(each.startswith(gone) for each in before)

    after = said(replace(night, alerts=(an_alert(kind, subject),)))

    assert not any(each.startswith(gone) for each in after)
    assert set(after) < set(before)


def test_a_night_without_alerts_is_told_as_before() -> None:
    night = night_of()

    assert untold(night) == night


def test_who_is_deaf_to_the_stop_stands_in_the_stop_bar_only() -> None:
    deaf = an_alert(Kind.DEAF, "b-owl")
    night = night_of(deaf, stopped=True, stop_unheard=("b-owl",))

    assert alerts_of(night, str).count == 0
    assert alerts_of(replace(night, stop_unheard=()), str).count == 1


def test_a_title_begins_with_how_many_alerts_are_open() -> None:
    assert (
        Presenter(night_of(an_alert(Kind.LINK), an_alert(Kind.DISK)))
        .title("Why")
        .startswith("(2) Why")
    )
    assert Presenter(night_of()).title("Why").startswith("Why")


# --- orders


def alerted() -> NightView:
    return night_of(an_alert(Kind.LOST, "b-owl", severity="now"))


def orders(stage: Stage) -> list[tuple[int, str]]:
    return [(each.alert, each.by) for each in stage.desk.orders if isinstance(each, AlertSeen)]


def test_a_page_posts_that_an_alert_was_seen_and_is_sent_back() -> None:
    with a_stage(alerted(), "crew") as stage:
        assert 'action="/alerts/71/seen"' in stage.client.get("/").text
        answer = stage.client.post("/alerts/71/seen", headers=OWN)

        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        assert orders(stage) == [(71, "Jory")]


def test_htmx_gets_the_changed_part_and_a_word() -> None:
    with a_stage(alerted(), "crew") as stage:
        answer = stage.client.post("/alerts/71/seen", headers=HTMX)

        assert 'hx-target="#needs"' in answer.text
        assert "seen by you" in answer.text


def test_an_alert_that_closed_meanwhile_is_no_error_on_a_page() -> None:
    with a_stage(alerted(), "crew") as stage:
        answer = stage.client.post("/alerts/5/seen", headers=HTMX)

        assert answer.status_code == 200
        assert "over already" in answer.text
        assert orders(stage) == []


def test_a_program_acknowledges_under_the_name_of_its_token() -> None:
    with a_stage(alerted()) as stage:
        stage.show_token("crew")
        answer = stage.client.post("/api/v1/alerts/71/acknowledge")

        assert answer.status_code == 200
        assert {name: answer.json()[name] for name in ("id", "kind", "subject", "severity")} == {
            "id": 71,
            "kind": "lost",
            "subject": "b-owl",
            "severity": "now",
        }
        [(number, by)] = orders(stage)
        assert number == 71
        assert "bench" in by


def test_an_alert_that_is_not_open_cannot_be_acknowledged() -> None:
    with a_stage(alerted()) as stage:
        stage.show_token("crew")

        assert stage.client.post("/api/v1/alerts/5/acknowledge").status_code == 404
        assert stage.client.post("/api/v1/alerts/x/acknowledge").status_code == 422


def test_who_only_watches_acknowledges_nothing() -> None:
    with a_stage(alerted(), "watch") as stage:
        assert stage.client.post("/alerts/71/seen", headers=OWN).status_code == 403
        assert orders(stage) == []


def test_alerts_as_csv_have_the_columns_of_the_list() -> None:
    with a_stage(alerted()) as stage:
        stage.show_token("watch")
        answer = stage.client.get("/api/v1/alerts", headers={"accept": "text/csv"})

        assert answer.text.splitlines()[0] == ",".join(ALERT_COLUMNS)
        assert {"acknowledged_by", "closed_at", "todo"} < set(ALERT_COLUMNS)
