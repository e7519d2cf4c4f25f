"""The ladder of actions: rung, due dates, cautions.

The only day count of IEEE C57.104-2019 is "within a month" for a confirmation sample; the rest is common practice and
says so.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from engine_cast import QUIET, last, one, steady

from app.domain.alerting.advice import (
    URGENT_FAULTS,
    Advice,
    advice,
    urgency,
)
from app.domain.alerting.cautions import GENERAL, SAMPLING
from app.domain.findings import Assessment, FaultCall, Finding, Severity
from app.domain.model import Asset, Liquid

TAKEN = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)
UNIT = Asset("W-T1", "Unit 1", "W")


def assessment(
    status: int | None, *, suspect: bool = False, fault: str | None = None, extreme: bool = False
) -> Assessment:
    found = (Finding("extreme", Severity.HIGH, "C₂H₄ rose by 300 µL/L."),) if extreme else ()
    call = None if fault is None else FaultCall(fault, fault, "")
    return Assessment(status, suspect, ("because",), "ieee_c57_104_2019", "test", fault=call, findings=found)


@pytest.mark.parametrize(
    ("given", "rung", "days"),
    [
        (assessment(None), "routine", 365),
        (assessment(1), "routine", 365),
        (assessment(1, suspect=True), "suspect", 30),
        (assessment(2, suspect=True), "suspect", 30),
        (assessment(2), "watch", 30),
        (assessment(2, fault="T1"), "watch", 30),
        (assessment(2, fault="PD"), "watch", 30),
        (assessment(2, fault="D2"), "urgent", 14),
        (assessment(2, fault="T3"), "urgent", 14),
        (assessment(3), "high", 7),
        (assessment(3, fault="T1"), "high", 7),
        (assessment(3, extreme=True), "extreme", 1),
        (assessment(3, suspect=True, extreme=True), "extreme", 1),
    ],
)
def test_the_rung_and_the_day_of_the_next_sample(given: Assessment, rung: str, days: int) -> None:
    steps = advice(given, UNIT, TAKEN)
    assert urgency(given) == steps.urgency == rung
    assert steps.next_sample_due == TAKEN.date() + timedelta(days=days)
    assert steps.actions
    assert all(a.text.endswith(".") and a.source and a.due for a in steps.actions)


def test_faults_that_make_status_2_urgent_are_those_of_the_guide() -> None:
    """6.1.2: D2, T3 or paper are to be treated like status 3; PD, T1 and S are less urgent."""
    assert {"D2", "T3", "C", "T3-H"} == URGENT_FAULTS


def test_a_suspect_sample_of_status_3_asks_for_confirmation_first_and_for_the_rest_too() -> None:
    steps = advice(assessment(3, suspect=True), UNIT, TAKEN)
    assert steps.urgency == "suspect"
    assert "confirmation sample" in steps.actions[0].text
    assert len(steps.actions) == 3
    assert not any("on-line monitor" in a.text for a in steps.actions), (
        "the high rung's own sample is left out"
    )


def test_the_confirmation_is_the_guides_and_other_day_counts_are_not() -> None:
    suspect = advice(assessment(1, suspect=True), UNIT, TAKEN)
    assert suspect.actions[0].source == "IEEE C57.104-2019, 6.1.2"
    high = advice(assessment(3), UNIT, TAKEN)
    assert high.actions[0].source == "common practice; IEEE C57.104-2019, 6.1.2 gives no day count"
    extreme = advice(assessment(3, extreme=True), UNIT, TAKEN)
    assert extreme.actions[-1].source == "common practice, no source"


def cautions(steps: Advice) -> str:
    return " ".join(steps.cautions)


def test_cautions_come_with_every_advice() -> None:
    for given in (assessment(1), assessment(3, extreme=True)):
        steps = advice(given, UNIT, TAKEN)
        assert steps.cautions == (*SAMPLING, GENERAL)
        for words in (
            "positive pressure",
            "energized",
            "explosive",
            "PCB",
            "local rules",
            "clears nobody to work",
        ):
            assert words in cautions(steps)


def test_another_liquid_is_pointed_out() -> None:
    steps = advice(assessment(1), replace(UNIT, liquid=Liquid.NATURAL_ESTER), TAKEN)
    assert "the norms used here are for mineral oil" in cautions(steps).lower()


def test_the_ladder_on_real_samples() -> None:
    """E.1 point 2 of the guide is extreme; a quiet unit is routine; acetylene from nothing is suspect."""
    thermal = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0}
    assert urgency(one(QUIET)) == "routine"
    assert urgency(last([(0.0, QUIET), (343.0, QUIET | thermal)])) == "extreme"
    assert urgency(last([*steady(3), (540.0, QUIET | {"c2h2": 0.8})])) == "suspect"
    assert urgency(one(QUIET | {"c2h6": 60.0})) == "watch"
    assert urgency(one(QUIET | {"c2h6": 1000.0})) == "extreme"
    assert urgency(one(QUIET | {"c2h4": 199.0})) == "high"
