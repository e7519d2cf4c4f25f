"""Doubt does not silence danger: what is in doubt, what is judged by the rest, and what cannot be judged at all."""

from dataclasses import replace

import numpy as np
import pytest
from engine_cast import QUIET, START, frame, judge, last, one

from app.domain.alerting.advice import advice, urgency
from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import EXTREME, GASSING
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.findings import Assessment
from app.domain.judging.engine import assess
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset

UNIT = Asset("T1", "T1", "S")
LAB = Speaker("lab", online=False)
BRIEF = ReportOptions(detailed=False)
FULL_OF_NITROGEN = {"n2": 150_000.0, "o2": 1500.0}


def gassing(found: Assessment) -> int | None:
    shown = of_assessment(found, LAB)
    evidence = GASSING.shown(shown) if shown else None
    return evidence.severity if evidence else None


def test_more_nitrogen_than_oil_holds_doubts_nitrogen_and_nothing_else() -> None:
    found = one(QUIET | FULL_OF_NITROGEN | {"c2h4": 150.0}, age=20.0)
    assert any("more N₂ than oil can hold" in f.text for f in found.findings)
    assert not found.doubtful
    assert found.doubted_gases == ()
    assert gassing(found) == 3


def test_under_a_blanket_it_is_no_ground_at_all() -> None:
    alone = replace(frame([(0.0, QUIET | FULL_OF_NITROGEN)]), blanketed=np.ones(1, dtype=np.bool_))
    assert not assess(alone).quality.saturated.any()


def test_an_extreme_rise_stays_extreme_whatever_nitrogen_says() -> None:
    """A blanketed unit whose C2H4 rises by 300 twice: extreme both times, and confirmed, not asked for again."""
    samples = [
        (0.0, QUIET),
        (300.0, QUIET | FULL_OF_NITROGEN | {"c2h4": 303.0}),
        (310.0, QUIET | FULL_OF_NITROGEN | {"c2h4": 310.0}),
    ]
    for blanketed in (False, True):
        alone = replace(frame(samples, age=20.0), blanketed=np.full(3, blanketed))
        judgement = assess(alone)
        found = report(judgement, 2, BRIEF)
        assert any(f.rule == "extreme" for f in found.findings)
        assert any(f.rule == "confirmed" for f in found.findings)
        assert not found.suspect
        assert gassing(found) == EXTREME


BEFORE = {"h2": 60.0, "ch4": 80.0, "c2h6": 60.0, "c2h4": 40.0, "co": 500.0}


def test_a_gas_in_doubt_leaves_the_others_judged() -> None:
    """Hydrogen was lost from the sample; ethylene has doubled beyond Table 2 all the same."""
    found = last([(0.0, QUIET | BEFORE), (180.0, QUIET | BEFORE | {"h2": 20.0, "c2h4": 130.0})], age=20.0)
    assert found.doubtful
    assert found.doubted_gases == ("h2",)
    assert gassing(found) == 3


def test_a_gas_in_doubt_alarms_by_itself_only_where_it_is_extreme() -> None:
    slip = last([(0.0, QUIET | BEFORE), (180.0, QUIET | BEFORE | {"c2h4": 400.0})], age=20.0)
    assert slip.doubted_gases == ("c2h4",)
    assert any(f.rule == "extreme" for f in slip.findings), "+360 is above the guide's own example"
    assert gassing(slip) == EXTREME
    small = last([(0.0, QUIET | {"h2": 20.0}), (180.0, QUIET | {"h2": 190.0})], age=20.0)
    assert small.doubted_gases == ("h2",)
    assert gassing(small) == 0


def test_what_is_in_doubt_eases_nothing() -> None:
    """Hydrogen was lost: that it is no longer above Table 1 says nothing."""
    high = QUIET | BEFORE | {"h2": 150.0, "c2h4": 30.0}
    samples = [(180.0 * i, high) for i in range(4)]
    before, found = last(samples, age=20.0), last([*samples, (720.0, high | {"h2": 20.0})], age=20.0)
    assert found.doubtful
    assert gassing(found) == gassing(before) == 2


def test_what_is_not_in_doubt_counts_at_once() -> None:
    found = last([(0.0, QUIET | BEFORE), (180.0, QUIET | BEFORE | {"h2": 20.0, "c2h4": 60.0})], age=20.0)
    assert found.doubted_gases == ("h2",)
    assert gassing(found) == 2


@pytest.mark.parametrize(
    "later", [{"c2h4": 62.0}, {"c2h4": 62.0, "h2": 20.0}, {"c2h4": 62.0} | FULL_OF_NITROGEN]
)
def test_no_text_says_not_confirmed_yet_and_confirms_in_one(later: dict[str, float]) -> None:
    start = QUIET | BEFORE
    found = last([(0.0, start), (180.0, start | {"c2h4": 60.5}), (200.0, start | later)], age=20.0)
    assert any(f.rule == "confirmed" for f in found.findings)
    text = " ".join(s.text for s in verdict(found))
    assert "not confirmed yet" not in text
    assert "in doubt" not in text
    shown = of_assessment(found, LAB)
    assert shown is not None
    asked = CONFIRMATION.shown(shown)
    assert asked is not None
    assert asked.severity == 0


# --- cannot be judged -------------------------------------------------------------------------------------


def test_a_detection_limit_above_the_norm_is_never_called_low() -> None:
    found = one(QUIET | {"c2h2": "<5"}, age=5.0)
    assert found.status is None
    assert found.status_reasons == (
        "Not low: C₂H₂ cannot be judged, since its detection limit is above its norm. "
        "Ask for a method that can see it.",
    )
    assert "low gas" not in " ".join(s.text for s in verdict(found))
    steps = advice(found, UNIT, START)
    assert steps.urgency == "blind"
    assert "Ask the laboratory for a method that can see every gas below its norm" in steps.actions[0].text
    assert not any("routine" in a.text for a in steps.actions)


def test_a_status_above_1_stays_and_asks_for_the_method_as_well() -> None:
    found = one(QUIET | {"c2h2": "<5", "h2": 100.0}, age=5.0)
    assert found.status == 2
    steps = advice(found, UNIT, START)
    assert steps.urgency == "watch"
    assert any("method that can see" in a.text for a in steps.actions)


def test_a_limit_at_the_norm_is_judged() -> None:
    assert one(QUIET | {"c2h2": "<1"}, age=5.0).status == 1


def test_a_monitor_that_sees_no_acetylene_keeps_its_status() -> None:
    readings = frame([(0.0, QUIET | {"c2h2": "<5"})], online=True)
    assert report(assess(readings), 0, BRIEF).status == 1


def test_a_rise_is_told_though_acetylene_cannot_be_seen() -> None:
    """Three gases rise slowly below Table 1, in a laboratory that sees no acetylene below 5 µL/L: no status at all."""
    samples: list[tuple[float, dict[str, float | str]]] = [
        (
            182.0 * i,
            {**QUIET, "ch4": 20.0 + 4.0 * i, "c2h6": 20.0 + 4.0 * i, "c2h4": 10.0 + 2.0 * i, "c2h2": "<5"},
        )
        for i in range(12)
    ]
    found = last(samples, age=20.0)
    assert found.course is not None
    assert found.course.state == "rising"
    assert gassing(found) is not None, "the alert hears of it"


def test_nothing_judged_is_no_ground_for_routine() -> None:
    nothing = one({"water": 12.0})
    assert nothing.status is None
    assert urgency(nothing) == "unjudged"
    assert urgency(one({"c2h2": "<5"})) == "blind"


def test_judging_by_the_rest_does_not_depend_on_the_order_of_doubts() -> None:
    judgement = judge([(0.0, QUIET | BEFORE), (180.0, QUIET | BEFORE | {"c2h4": 400.0})], age=20.0)
    assert judgement.quality.doubted[1].tolist() == judgement.quality.digit[1].tolist()
