"""Goal: the manual's table of rules is the rule table, not a second one.

Method: the page is read back and compared with the core row by row.
"""

import re
from html import unescape

from haunt.core.rules import ENDINGS, RULES, Kind
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
