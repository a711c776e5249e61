"""Goal: the table of rules is the published one, and no reason goes untested.

Method: the list is written down here once more; the tests of this folder are read for their claims.
"""

import ast
from pathlib import Path

from haunt.core import rules
from haunt.core.rules import ENDINGS, RULE, RULES, Kind

TABLE = (
    ("sensor", "unknown-sensor", "never"),
    ("sensor", "muted", "never"),
    ("sensor", "warming-up", "never"),
    ("sensor", "block-time", "never"),
    ("sensor", "lingering", "never"),
    ("sensor", "wrong-way", "never"),
    ("sensor", "self-trigger", "never"),
    ("sensor", "no-prop", "never"),
    ("prop", "stale", "never"),
    ("show", "stopped", "never"),
    ("show", "walk-test", "never"),
    ("show", "closed", "never"),
    ("prop", "held", "never"),
    ("prop", "locked-out", "never"),
    ("prop", "out-of-service", "never"),
    ("prop", "offline", "never"),
    ("show", "no-link", "never"),
    ("prop", "low-battery", "never"),
    ("prop", "already-waiting", "never"),
    ("prop", "playing", "clears"),
    ("prop", "cooldown", "clears"),
    ("prop", "hourly-cap", "clears"),
    ("prop", "duty", "clears"),
    ("show", "audience", "never"),
    ("show", "quiet-hours", "never"),
    ("show", "stagger", "clears"),
    ("show", "talk-over", "clears"),
    ("show", "supply", "clears"),
    ("show", "flash", "clears"),
    ("show", "sound-limit", "clears"),
)


def test_the_rules_stand_in_their_order_with_scope_and_kind() -> None:
    assert tuple((str(r.scope), r.reason, str(r.kind)) for r in RULES) == TABLE


def test_every_reason_is_given_by_one_rule_only() -> None:
    reasons = [rule.reason for rule in RULES] + list(ENDINGS)

    assert len(reasons) == len(set(reasons))
    assert set(ENDINGS) == {"left", "restart"}
    assert [RULE[rule.reason].order for rule in RULES] == list(range(len(RULES)))


def test_every_rule_says_in_a_sentence_what_it_means() -> None:
    for rule in RULES:
        assert rule.meaning.endswith(".")
        assert rule.meaning[0].isupper()


def test_a_rule_has_one_test_or_is_applied_by_the_arbiter_itself() -> None:
    by_the_arbiter = {"unknown-sensor", "wrong-way", "no-prop"}
    for rule in RULES:
        tests = (rule.sensor_test, rule.prop_test, rule.behaviour_test)
        count = sum(1 for test in tests if test is not None)
        assert count == (0 if rule.reason in by_the_arbiter else 1), rule.reason


def test_the_groups_hold_every_tested_rule_once_and_in_order() -> None:
    groups = (
        rules.SENSOR_RULES,
        rules.NEVER_RULES,
        rules.CLEARS_RULES,
        rules.NARROWING_NEVER,
        rules.NARROWING_CLEARS,
    )
    grouped = [rule.reason for group in groups for rule, _test in group]

    assert len(grouped) == len(set(grouped)) == len(TABLE) - 3
    for group in groups:
        assert [r.order for r, _test in group] == sorted(r.order for r, _test in group)
    assert all(rule.kind is Kind.NEVER for group in (groups[1], groups[3]) for rule, _test in group)


def test_every_reason_is_claimed_by_a_test() -> None:
    claimed: set[str] = set()
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        if path.name == Path(__file__).name:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Assert):
                claimed |= {
                    each.value
                    for each in ast.walk(node)
                    if isinstance(each, ast.Constant) and isinstance(each.value, str)
                }

    parametrized = {"flash", "sound-limit", "supply", "talk-over"}
    assert {rule.reason for rule in RULES} - claimed <= parametrized
    assert set(ENDINGS) <= claimed
