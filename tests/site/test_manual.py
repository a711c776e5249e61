"""Goal: the manual says what the code does: its rules, its topics, its packets.

Method: pages are read back and compared with the core and the wire row by row.
"""

import re
from html import unescape

from haunt.core.rules import ENDINGS, RULES, Kind
from haunt.site.book.chapters import CHAPTERS
from haunt.site.manual import PACKETS
from haunt.wire.payloads import decode, encode
from haunt.wire.topics import KINDS
from tests.site.stage import Stage


def test_the_manual_names_every_rule_in_its_order_with_its_meaning(stage: Stage) -> None:
    text = stage.client.get("/manual/rules").text

    rows = re.findall(r'<li id="rule-([a-z-]+)">\s*<h2>(\d+)\. <code>.*?</h2>\s*<p>(.*?)</p>', text)
    assert [(name, int(number), unescape(meaning)) for name, number, meaning in rows] == [
        (rule.reason, order, rule.meaning) for order, rule in enumerate(RULES, 1)
    ]
    for reason, meaning in ENDINGS.items():
        assert f'<li id="rule-{reason}"><code>{reason}</code> {meaning}</li>' in text


def test_the_manual_says_of_each_rule_whether_a_motion_may_wait(stage: Stage) -> None:
    text = stage.client.get("/manual/rules").text

    parts = re.findall(
        r'<li id="rule-([a-z-]+)">\s*<h2>.*?<p class="dim">(.*?)</p>', text, re.DOTALL
    )
    clears = {reason for reason, tags in parts if "may wait" in tags}
    assert clears == {rule.reason for rule in RULES if rule.kind is Kind.CLEARS}
    by_hand = {reason for reason, tags in parts if "by hand" in tags}
    assert by_hand == {"closed", "already-waiting", "cooldown", "hourly-cap", "stagger"}


def test_help_leads_to_the_rules(stage: Stage) -> None:
    assert 'href="/manual/rules"' in stage.client.get("/help").text


def test_every_packet_of_the_wires_chapter_is_one_that_the_decoder_takes() -> None:
    for name, packet in PACKETS.items():
        kind = "presence" if name == "will" else name
        assert encode(decode(kind, packet.encode())), name  # type: ignore[call-overload]


def test_every_chapter_opens_and_is_in_the_list(stage: Stage) -> None:
    listed = stage.client.get("/manual").text

    for name, title in CHAPTERS.items():
        assert f'href="/manual/{name}"' in listed
        answer = stage.client.get(f"/manual/{name}")
        assert answer.status_code == 200
        assert title in answer.text
    assert stage.client.get("/manual/soup").status_code == 404


def test_the_wires_chapter_has_every_topic(stage: Stage) -> None:
    text = stage.client.get("/manual/wire").text

    for kind in KINDS:
        assert f'href="/schemas/{kind}.json"' in text
        assert stage.client.get(f"/schemas/{kind}.json").json()["$schema"]
    assert stage.client.get("/asyncapi.json").json()["asyncapi"] == "3.0.0"
    assert stage.client.get("/schemas/soup.json").status_code == 404
