"""The registry of rules: each needs only what stands before it, gets what it expects, and is worked out when asked."""

from typing import get_type_hints

import pytest
from engine_cast import QUIET, judge

from app.domain.judging.engine import RULES, Judgement
from app.domain.judging.rules.rule import Rule

INPUTS = {name: kind for name, kind in get_type_hints(Judgement).items() if name != "return"}
AT_ONCE = {"levels", "changes"}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_rule_gets_the_columns_that_earlier_rules_make(rule: Rule[object]) -> None:
    before = INPUTS | {r.name: get_type_hints(r.judge)["return"] for r in RULES[: RULES.index(rule)]}
    wanted = get_type_hints(rule.judge)
    made = wanted.pop("return")
    assert [before[name] for name in rule.needs] == list(wanted.values())
    assert made is not type(None)


def test_only_levels_and_changes_are_worked_out_before_anybody_asks() -> None:
    judgement = judge([(0.0, QUIET)])
    assert set(vars(judgement)) - set(INPUTS) == AT_ONCE
    assert {rule.name for rule in RULES if rule.at_once} == AT_ONCE


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_rule_is_worked_out_once(rule: Rule[object]) -> None:
    judgement = judge([(0.0, QUIET)])
    assert getattr(judgement, rule.name) is getattr(judgement, rule.name)
    assert getattr(Judgement, rule.name) is rule
