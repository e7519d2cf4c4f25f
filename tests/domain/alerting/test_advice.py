"""The ladder of actions: rung, due dates, cautions.

The only day count of IEEE C57.104-2019 is "within a month" for a confirmation sample; the rest is common practice and
says so.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from engine_cast import QUIET, last, one, steady

from app.domain.alerting.advice import (
    URGENT_FAULTS,
    Advice,
    UnitFacts,
    advice,
    urgency,
    without_verdict,
)
from app.domain.alerting.cautions import GENERAL, SAMPLING, TAP_CHANGER_OIL
from app.domain.findings import Assessment, Course, FaultCall, Finding, Severity
from app.domain.model import Asset, CompartmentKind, Liquid, TapChanger

TAKEN = datetime(2026, 3, 1, 23, 30, tzinfo=UTC)
UNIT = Asset("W-T1", "Unit 1", "W")
MONITORED = UnitFacts(monitored=True)


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
        (assessment(3, extreme=True), "extreme", 2),  # the sample; what comes first is to investigate
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
    """6.1.2: D2, T3 or paper are to be treated like status 3; PD and T1 are less urgent. DT, a discharge and heat
    together, may hold either (ours)."""
    assert {"D2", "DT", "T3", "C", "T3-H"} == URGENT_FAULTS


def test_a_suspect_sample_of_status_3_asks_for_confirmation_first_and_for_the_rest_too() -> None:
    steps = advice(assessment(3, suspect=True), UNIT, TAKEN)
    assert steps.urgency == "suspect"
    assert sum("sample" in a.text for a in steps.actions) == 1
    assert [a.text[:4] for a in steps.actions] == ["Find", "Take", "Call"], "by their dates"
    assert not any("on-line monitor" in a.text for a in steps.actions), (
        "the high rung's own sample is left out"
    )


@pytest.mark.parametrize(("gravity", "more"), [(0, False), (1, False), (2, True)])
def test_a_suspect_sample_of_a_quiet_course_asks_for_its_confirmation_alone(gravity: int, more: bool) -> None:
    """A rate that its own points do not bear out takes no load off a unit."""
    said = replace(assessment(3, suspect=True), course=Course("quiet", None, gravity))
    steps = advice(said, UNIT, TAKEN)
    assert steps.urgency == ("suspect" if gravity else "rate_alone")
    assert steps.next_sample_due == (TAKEN + timedelta(days=30)).date()
    assert any("less load" in a.text for a in steps.actions) is more


@pytest.mark.parametrize(("severity", "days"), [(1, 7), (2, 1)])
def test_a_rise_of_an_instruments_days_asks_for_a_sample_from_when_it_was_told(
    severity: int, days: int
) -> None:
    course = Course("rising", "2026-01-01", 1, as_of="2026-02-28")
    said = replace(assessment(1), online=True, course=course)
    told = TAKEN - timedelta(days=3)
    steps = advice(said, UNIT, TAKEN, (), UnitFacts(monitored=True, changed=(told, severity)))
    assert (steps.urgency, len(steps.actions)) == ("changed", 1)
    assert steps.next_sample_due == (told + timedelta(days=days)).date()
    came = UnitFacts(monitored=True, changed=(told, severity), laboratory_at=TAKEN)
    assert advice(said, UNIT, TAKEN, (), came).next_sample_due == (TAKEN + timedelta(days=90)).date()
    untold = advice(said, UNIT, TAKEN, (), UnitFacts(monitored=True))
    assert untold.next_sample_due == date(2026, 4, 1)


def test_the_confirmation_is_the_guides_and_other_day_counts_are_not() -> None:
    suspect = advice(assessment(1, suspect=True), UNIT, TAKEN)
    assert suspect.actions[0].source == "IEEE C57.104-2019, 6.1.2"
    high = advice(assessment(3), UNIT, TAKEN)
    assert high.actions[0].source == "common practice; IEEE C57.104-2019, 6.1.2 gives no day count"
    extreme = advice(assessment(3, extreme=True), UNIT, TAKEN)
    room = next(a for a in extreme.actions if "control room" in a.text)
    assert room.source == "common practice, no source"


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
    assert "the published norms are for mineral oil" in cautions(steps).lower()


def texts(steps: Advice) -> list[str]:
    return [a.text for a in steps.actions]


def of_course(state: str, gravity: int, status: int = 3) -> Assessment:
    return replace(assessment(status), course=Course(state, "2020-01-01", gravity))


def test_steps_come_in_order_of_date_and_ask_for_one_sample() -> None:
    """A wet unit with old oil and status 3: four rungs ask for a sample, the earliest is taken with all tests in it."""
    beside = tuple(Finding(rule, Severity(2), "It stands out.") for rule in ("water", "oil", "paper"))
    steps = advice(replace(assessment(3), findings=beside), UNIT, TAKEN)
    dates = [a.due or date.max for a in steps.actions]
    assert dates == sorted(dates)
    samples = [t for t in texts(steps) if t.startswith(("Take another sample", "Sample", "Repeat"))]
    assert len(samples) == 1
    for wanted in ("water and breakdown voltage", "test of the oil that stands out", "have furans tested"):
        assert wanted in samples[0]
    assert steps.next_sample_due == TAKEN.date() + timedelta(days=7)


def test_a_unit_that_has_a_monitor_is_not_told_to_get_one() -> None:
    bare, watched = advice(assessment(3), UNIT, TAKEN), advice(assessment(3), UNIT, TAKEN, (), MONITORED)
    assert any("Put an on-line monitor" in t for t in texts(bare))
    assert not any("Put an on-line monitor" in t for t in texts(watched))
    assert any("Let the monitor measure as often as it can" in t for t in texts(watched))


def test_a_quiet_unit_with_a_monitor_still_has_a_laboratory_sample_due() -> None:
    reading = replace(assessment(1), online=True)
    before = replace(MONITORED, laboratory_at=TAKEN - timedelta(days=100))
    assert advice(reading, UNIT, TAKEN, (), before).next_sample_due == TAKEN.date() + timedelta(days=265)
    overdue = replace(MONITORED, laboratory_at=TAKEN - timedelta(days=400))
    assert advice(reading, UNIT, TAKEN, (), overdue).next_sample_due == TAKEN.date() - timedelta(days=35)
    first = advice(reading, UNIT, TAKEN, (), replace(MONITORED, first_at=TAKEN - timedelta(days=10)))
    assert first.next_sample_due == TAKEN.date() + timedelta(days=20)
    assert "none of this oil is on record" in texts(first)[0]
    assert advice(reading, UNIT, TAKEN).next_sample_due is not None


def test_oil_that_nobody_sampled_is_due_now() -> None:
    never = without_verdict(UNIT, TAKEN.date())
    assert (never.urgency, never.next_sample_due) == ("unsampled", TAKEN.date())
    unjudged = without_verdict(UNIT, TAKEN.date(), UnitFacts(laboratory_at=TAKEN - timedelta(days=5)))
    assert unjudged.next_sample_due == TAKEN.date() + timedelta(days=25)


def test_a_sample_that_was_asked_for_is_not_asked_for_again() -> None:
    asked = replace(MONITORED, asked_at=TAKEN - timedelta(days=20), laboratory_at=TAKEN - timedelta(days=20))
    quiet = advice(replace(assessment(1), online=True), UNIT, TAKEN, (), asked)
    assert quiet.next_sample_due == TAKEN.date() + timedelta(days=10)
    assert "It has been asked for since 2026-02-09 and has not come." in texts(quiet)[0]
    waiting = advice(assessment(2, suspect=True), UNIT, TAKEN, (), asked)
    assert waiting.next_sample_due == TAKEN.date() + timedelta(days=10), "a month from when it was asked for"
    assert sum("ample" in t for t in texts(waiting)) == 1
    own = advice(assessment(2, suspect=True), UNIT, TAKEN, (), UnitFacts(asked_at=TAKEN))
    assert not any("has been asked for" in t for t in texts(own)), "the sample that asks says so itself"


def test_what_an_instrument_reads_counts_from_the_alarm_or_the_sample_since() -> None:
    """A new reading every four hours must not put off the sample for ever."""
    reading = replace(assessment(3), online=True)
    alarmed = replace(MONITORED, alarmed_at=TAKEN - timedelta(days=5))
    assert advice(reading, UNIT, TAKEN, (), alarmed).next_sample_due == TAKEN.date() + timedelta(days=2)
    came = advice(reading, UNIT, TAKEN, (), replace(alarmed, laboratory_at=TAKEN - timedelta(days=3)))
    assert came.next_sample_due == TAKEN.date() + timedelta(days=4)
    assert not any("has not come" in t for t in texts(came))


@pytest.mark.parametrize("has", [TapChanger.SEPARATE, TapChanger.UNKNOWN, TapChanger.NONE])
def test_acetylene_that_may_come_from_the_tap_changer_asks_for_its_oil(has: TapChanger) -> None:
    found = one(QUIET | {"c2h2": 40.0, "h2": 9.0})
    assert any(f.rule == "tap_changer" for f in found.findings)
    unit = replace(UNIT, tap_changer=has)
    asks = [t for t in texts(advice(found, unit, TAKEN)) if "Sample the tap changer's oil too" in t]
    assert len(asks) == (has is not TapChanger.NONE)
    known = advice(found, unit, TAKEN, (), UnitFacts(tap_changer_at=TAKEN - timedelta(days=90)))
    assert not any("Sample the tap changer's oil too" in t for t in texts(known))
    assert any("Compare with the tap changer's newest sample" in t for t in texts(known)) == (
        has is not TapChanger.NONE
    )
    assert (TAP_CHANGER_OIL in advice(found, unit, TAKEN).cautions) == (has is not TapChanger.NONE)


def test_a_tap_changer_carries_its_own_caution() -> None:
    steps = advice(assessment(None), UNIT, TAKEN, (), UnitFacts(compartment=CompartmentKind.TAP_CHANGER))
    assert steps.next_sample_due == TAKEN.date() + timedelta(days=365)
    assert TAP_CHANGER_OIL in steps.cautions


def test_a_young_unit_is_sampled_more_often() -> None:
    assert advice(assessment(1), UNIT, TAKEN, (), UnitFacts(age_years=0.4)).next_sample_due == (
        TAKEN.date() + timedelta(days=90)
    )
    assert (
        advice(assessment(1), replace(UNIT, year_energized=2025), TAKEN)
        .actions[0]
        .text.startswith("Take another sample: in its first year")
    )
    assert advice(assessment(1), replace(UNIT, year_energized=2020), TAKEN).actions[0].text.startswith("Keep")


@pytest.mark.parametrize(
    ("given", "rung", "days"),
    [
        (of_course("stable_high", 2), "stable", 180),
        (of_course("stable_high", 3), "stable_grave", 90),
        (of_course("ended", 1, 2), "stable", 180),
        (of_course("falling", 2), "stable", 180),
        (of_course("fallen", 1, 1), "fallen", 60),
        (of_course("rising", 1, 1), "look", 90),
        (of_course("rising", 2, 1), "watch", 30),
        (of_course("confirmed", 3, 2), "high", 7),
        (of_course("confirmed", 3, 1), "high", 7),
        (of_course("high", 4), "extreme", 2),
        (of_course("quiet", 0, 1), "routine", 365),
    ],
)
def test_the_course_chooses_the_rung(given: Assessment, rung: str, days: int) -> None:
    """Gravity, not the status alone: what rises below Table 1 is watched, what stands high for years is not chased."""
    steps = advice(given, UNIT, TAKEN)
    assert steps.urgency == rung
    assert steps.next_sample_due == TAKEN.date() + timedelta(days=days)


def test_a_stable_old_high_unit_is_reviewed_and_a_rising_one_hurried() -> None:
    old = texts(advice(of_course("stable_high", 2), UNIT, TAKEN))
    rising = texts(advice(of_course("confirmed", 3), UNIT, TAKEN))
    assert any("record the review" in t for t in old)
    assert not set(old) & set(rising)


def test_the_ladder_on_real_samples() -> None:
    """E.1 point 2 of the guide is extreme; a quiet unit is routine; acetylene from nothing is suspect."""
    thermal = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0}
    assert urgency(one(QUIET)) == "routine"
    assert urgency(last([(0.0, QUIET), (343.0, QUIET | thermal)])) == "extreme"
    assert urgency(last([*steady(3), (540.0, QUIET | {"c2h2": 0.8})])) == "suspect"
    assert urgency(one(QUIET | {"c2h6": 60.0})) == "watch"
    assert urgency(one(QUIET | {"c2h6": 1000.0})) == "extreme"
    assert urgency(one(QUIET | {"c2h4": 199.0})) == "high"
