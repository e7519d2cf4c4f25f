"""Alert decisions as a table of cases. States after ANSI/ISA-18.2; the reasons are ours."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from app.domain.alerting.conditions.confirmation import CONFIRMATION
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.decisions import (
    ONLINE_IN_A_ROW_TO_EASE,
    AlertState,
    decide,
    unshelve,
)
from app.domain.alerting.shown import Evidence, Speaker, of_assessment
from app.domain.alerting.states import Reason, State
from app.domain.alerting.suppression import Suppressed, suppressed
from app.domain.findings import Assessment, Finding, Severity

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def laboratory(severity: int, fault: str | None = None) -> Evidence:
    return Evidence("laboratory", online=False, severity=severity, fault=fault)


def monitor(severity: int, fault: str | None = None) -> Evidence:
    return Evidence("GM-1", online=True, severity=severity, fault=fault)


def run(shown: list[Evidence], start: AlertState | None = None) -> tuple[AlertState, list[Reason]]:
    state, reasons = start or AlertState(GASSING), []
    for one in shown:
        state, change = decide(state, one, NOW)
        if change is not None:
            reasons.append(change.reason)
    return state, reasons


@pytest.mark.parametrize(
    ("shown", "state", "severity", "reasons"),
    [
        ([laboratory(0)], State.NORMAL, 0, []),
        ([laboratory(2)], State.UNACKNOWLEDGED, 2, [Reason.RAISED]),
        ([laboratory(2), laboratory(2)], State.UNACKNOWLEDGED, 2, [Reason.RAISED]),
        ([laboratory(2), laboratory(3)], State.UNACKNOWLEDGED, 3, [Reason.RAISED, Reason.WORSENED]),
        ([laboratory(3), laboratory(2)], State.UNACKNOWLEDGED, 2, [Reason.RAISED, Reason.EASED]),
        ([laboratory(3), laboratory(0)], State.RETURNED, 0, [Reason.RAISED, Reason.RETURNED]),
        (
            [laboratory(3, "T2"), laboratory(3, "T3")],
            State.UNACKNOWLEDGED,
            3,
            [Reason.RAISED, Reason.FAULT_CHANGED],
        ),
        (
            [laboratory(3), laboratory(0), laboratory(2)],
            State.UNACKNOWLEDGED,
            2,
            ["raised", "returned", "raised"],
        ),
        # one on-line reading raises nothing, two in a row do, at what both of them show
        ([monitor(3)], State.NORMAL, 0, []),
        ([monitor(3), monitor(0), monitor(3)], State.NORMAL, 0, []),
        ([monitor(2), monitor(3)], State.UNACKNOWLEDGED, 2, [Reason.RAISED]),
        ([monitor(3), monitor(3)], State.UNACKNOWLEDGED, 3, [Reason.RAISED]),
        ([monitor(2), monitor(3), monitor(3), monitor(3)], State.UNACKNOWLEDGED, 3, ["raised", "worsened"]),
        # it takes more to ease
        (
            [monitor(3)] * 2 + [monitor(0)] * (ONLINE_IN_A_ROW_TO_EASE - 1),
            State.UNACKNOWLEDGED,
            3,
            ["raised"],
        ),
        (
            [monitor(3)] * 2 + [monitor(0)] * ONLINE_IN_A_ROW_TO_EASE,
            State.RETURNED,
            0,
            ["raised", "returned"],
        ),
        # several sources: as severe as the worst of them
        ([laboratory(3), monitor(0)], State.UNACKNOWLEDGED, 3, [Reason.RAISED]),
        (
            [monitor(2), monitor(2), laboratory(3), laboratory(0)],
            State.UNACKNOWLEDGED,
            2,
            ["raised", "worsened", "eased"],
        ),
    ],
)
def test_transitions(shown: list[Evidence], state: State, severity: int, reasons: list[str]) -> None:
    after, given = run(shown)
    assert (after.state, after.severity, given) == (state, severity, reasons)


def test_a_unit_that_was_always_normal_leaves_no_alert_behind() -> None:
    start = AlertState(GASSING)
    after, change = decide(start, monitor(0), NOW)
    assert after is start
    assert change is None


def test_an_acknowledgement_ends_when_it_gets_worse() -> None:
    seen = replace(run([laboratory(2)])[0], state=State.ACKNOWLEDGED)
    assert run([laboratory(2)], seen)[0].state is State.ACKNOWLEDGED
    assert run([laboratory(3)], seen)[0].state is State.UNACKNOWLEDGED


def test_an_acknowledged_alert_that_returns_is_normal() -> None:
    seen = replace(run([laboratory(2)])[0], state=State.ACKNOWLEDGED)
    assert run([laboratory(0)], seen)[0].state is State.NORMAL


def test_a_shelf_holds_until_its_end_or_until_it_gets_worse() -> None:
    shelved = replace(run([laboratory(2)])[0], state=State.SHELVED, shelved_until=NOW + timedelta(days=1))
    assert run([laboratory(2)], shelved)[0].state is State.SHELVED
    worse, reasons = run([laboratory(3)], shelved)
    assert (worse.state, worse.shelved_until, reasons) == (State.UNACKNOWLEDGED, None, [Reason.WORSENED])
    over = replace(shelved, shelved_until=NOW - timedelta(minutes=1))
    ended, reasons = run([laboratory(2)], over)
    assert (ended.state, reasons) == (State.UNACKNOWLEDGED, [Reason.UNSHELVED])


def test_shelved_and_old_news_are_recorded_not_sent() -> None:
    state = run([laboratory(3)])[0]
    shelved = replace(state, state=State.SHELVED, shelved_until=NOW + timedelta(days=9))
    after, change = decide(shelved, laboratory(2), NOW)
    assert change is not None
    assert after.state is State.SHELVED
    assert suppressed(change, NOW, NOW) is Suppressed.SHELVED
    _, raised = decide(AlertState(GASSING), laboratory(3), NOW)
    assert raised is not None
    assert suppressed(raised, NOW - timedelta(days=401), NOW) is Suppressed.OLD_NEWS
    assert suppressed(raised, NOW - timedelta(days=30), NOW) is None


def assessment(status: int, *, suspect: bool, levels: int) -> Assessment:
    finding = Finding("level", Severity(levels), "H₂ is high.")
    findings = (finding,) if levels > 1 else ()
    return Assessment(status, suspect, ("because",), "ieee_c57_104_2019", "test", findings=findings)


def test_a_suspect_sample_asks_for_confirmation_and_its_change_raises_no_gassing_alert() -> None:
    shown = evidence(
        of_assessment(assessment(3, suspect=True, levels=1), Speaker("laboratory", online=False))
    )
    assert shown[GASSING].severity == 0
    assert shown[CONFIRMATION].severity == 3


def test_a_suspect_sample_above_table_2_is_gassing_at_once() -> None:
    shown = evidence(
        of_assessment(assessment(3, suspect=True, levels=3), Speaker("laboratory", online=False))
    )
    assert shown[GASSING].severity == 3


# --- who may ease, what counts in a row, shelves ----------------------------------------------------------


def test_a_sample_without_a_status_says_nothing() -> None:
    nothing = Assessment(None, False, ("nothing measured",), "ieee_c57_104_2019", "test")
    assert evidence(of_assessment(nothing, Speaker("laboratory", online=False))) == {}


def test_a_sample_eases_only_what_it_measured() -> None:
    raised = replace(laboratory(3, "T3"), gases=("c2h4",), judged=frozenset({"h2", "c2h4"}))
    hydrogen_only = replace(laboratory(0), judged=frozenset({"h2"}))
    whole = replace(laboratory(0), judged=frozenset({"h2", "c2h4"}))
    assert run([raised, hydrogen_only])[0].state is State.UNACKNOWLEDGED
    assert run([raised, hydrogen_only, whole])[0].state is State.RETURNED


def test_extreme_is_worse_than_status_3() -> None:
    findings = (Finding("extreme", Severity.HIGH, "C2H4 rose by 300.", "c2h4"),)
    extreme = Assessment(3, False, ("because",), "ieee_c57_104_2019", "test", findings=findings)
    assert evidence(of_assessment(extreme, Speaker("laboratory", online=False)))[GASSING].severity == 4
    state, reasons = run([laboratory(3), laboratory(4)])
    assert (state.severity, reasons) == (4, [Reason.RAISED, Reason.WORSENED])


def test_a_fault_on_the_edge_of_two_zones_mails_nobody() -> None:
    flipping = [monitor(3, fault) for _ in range(20) for fault in ("T2", "T3")]
    assert run(flipping)[1] == [Reason.RAISED]
    settled = [monitor(3, "T2")] * 3 + [monitor(3, "T3")] * ONLINE_IN_A_ROW_TO_EASE
    assert run(settled)[1] == [Reason.RAISED, Reason.FAULT_CHANGED]


def test_a_corrected_reading_is_not_a_second_one_in_a_row() -> None:
    once = replace(monitor(3), at=NOW)
    assert run([once, once])[0].state is State.NORMAL
    assert run([once, replace(once, at=NOW + timedelta(hours=4))])[0].state is State.UNACKNOWLEDGED


def test_what_a_silent_instrument_said_holds_no_alert_open_for_ever() -> None:
    said = [replace(monitor(3), at=NOW + timedelta(hours=4 * i)) for i in range(3)]
    soon = replace(laboratory(0), at=NOW + timedelta(days=20))
    late = replace(laboratory(0), at=NOW + timedelta(days=40))
    assert run([*said, soon])[0].state is State.UNACKNOWLEDGED
    assert run([*said, late])[0].state is State.RETURNED


def test_a_shelf_holds_through_a_return_and_through_another_fault() -> None:
    raised = run([laboratory(2, "T1")])[0]
    shelved = replace(raised, state=State.SHELVED, shelved_until=NOW + timedelta(days=9), shelved_severity=2)
    assert run([laboratory(2, "T2")], shelved)[0].state is State.SHELVED
    back, reasons = run([laboratory(0), laboratory(2)], shelved)
    assert (back.state, reasons) == (State.SHELVED, [Reason.RETURNED, Reason.RAISED])
    assert run([laboratory(0), laboratory(3)], shelved)[0].state is State.UNACKNOWLEDGED


def test_a_shelf_ends_by_time_alone() -> None:
    shelved = replace(run([laboratory(2)])[0], state=State.SHELVED, shelved_until=NOW)
    assert unshelve(shelved, NOW - timedelta(seconds=1)) is None
    change = unshelve(shelved, NOW)
    assert change is not None
    assert (change.reason, change.after.state) == (Reason.UNSHELVED, State.UNACKNOWLEDGED)


def test_another_suspect_gas_is_told() -> None:
    assert run([laboratory(2, "co"), laboratory(2, "co2")])[1] == [Reason.RAISED, Reason.FAULT_CHANGED]


def test_a_sample_refuted_within_its_own_batch_was_suspect_when_it_came() -> None:
    refuted = Finding("dropped", Severity.INFORMATION, "A later sample did not confirm this one.")
    told = Assessment(3, False, ("because",), "ieee_c57_104_2019", "test", findings=(refuted,))
    shown = evidence(of_assessment(told, Speaker("laboratory", online=False)))
    assert shown[GASSING].severity == 0
    assert shown[CONFIRMATION].severity == 3


# --- steps of the course ----------------------------------------------------------------------------------


def step(severity: int, *steps: str, day: int = 0) -> Evidence:
    return replace(laboratory(severity), at=NOW + timedelta(days=day), steps=steps)


def test_a_step_of_the_course_at_the_same_severity_is_told_once() -> None:
    shown = [step(3, "confirmed"), step(3, "rate_doubled", day=30), step(3, "rate_doubled", day=30)]
    after, reasons = run(shown)
    assert reasons == [Reason.RAISED, Reason.STEPPED_UP]
    assert after.severity == 3


def test_a_corrected_sample_tells_only_what_is_new_and_an_older_one_nothing() -> None:
    shown = [
        step(3, "confirmed"),
        step(3, "rate_doubled", day=30),
        step(3, "rate_doubled", "other_fault", day=30),
    ]
    assert run(shown)[1] == [Reason.RAISED, Reason.STEPPED_UP, Reason.STEPPED_UP]
    assert run([*shown[:2], step(3, "confirmed", "table_crossed")])[1] == [Reason.RAISED, Reason.STEPPED_UP]


def test_a_step_up_ends_an_acknowledgement_and_a_step_down_does_not() -> None:
    seen = replace(run([step(2, "confirmed")])[0], state=State.ACKNOWLEDGED)
    assert run([step(2, "rate_doubled", day=9)], seen)[0].state is State.UNACKNOWLEDGED
    after, reasons = run([step(2, "ended", day=400)], seen)
    assert (after.state, reasons) == (State.ACKNOWLEDGED, [Reason.STEPPED_DOWN])


# --- an instrument's alarm while the gas is there ----------------------------------------------------------


def reading(day: float, h2: float, severity: int, acted: float | None = None) -> Evidence:
    """Hydrogen was 20 when it rose by more than its norm: it has fallen back at 56."""
    return Evidence(
        "GM-1",
        online=True,
        severity=severity,
        at=NOW + timedelta(days=day),
        gases=("h2",) if severity else (),
        judged=frozenset({"h2"}),
        readings={"h2": h2},
        returns={severity: {"h2": 56.0}} if severity else {},
        left={2: {"h2": 64.0}, 3: {"h2": 160.0}},
        acted_at=None if acted is None else NOW + timedelta(days=acted),
    )


def days(first: int, last: int, h2: float, severity: int, acted: float | None = None) -> list[Evidence]:
    return [reading(day, h2, severity, acted) for day in range(first, last)]


def test_it_does_not_ease_because_the_reference_caught_up() -> None:
    assert run([*days(0, 30, 80.0, 2), *days(30, 300, 80.0, 0)])[0].severity == 2


def test_it_eases_when_the_gas_has_fallen_back_and_stayed_so() -> None:
    risen = [*days(0, 30, 80.0, 2), *days(30, 60, 80.0, 0)]
    assert run([*risen, *days(60, 60 + ONLINE_IN_A_ROW_TO_EASE - 1, 40.0, 0)])[0].severity == 2
    assert run([*risen, *days(60, 60 + ONLINE_IN_A_ROW_TO_EASE, 40.0, 0)])[1] == [
        Reason.RAISED,
        Reason.RETURNED,
    ]


def test_a_level_has_fallen_back_by_the_limits_of_now() -> None:
    def at(day: int, h2: float, severity: int, left: float) -> Evidence:
        levels = {2: ("h2",)} if severity else {}
        return replace(reading(day, h2, severity), returns={}, levels=levels, left={2: {"h2": left}})

    risen = [at(day, 90.0, 2, 64.0) for day in range(9)]
    assert run([*risen, *(at(day, 75.0, 0, 64.0) for day in range(9, 40))])[0].severity == 2
    assert run([*risen, *(at(day, 60.0, 0, 64.0) for day in range(9, 40))])[0].severity == 0
    assert run([*risen, *(at(day, 90.0, 0, 240.0) for day in range(9, 40))])[0].severity == 0


def test_it_eases_after_an_act_that_came_after_it_was_shown() -> None:
    risen = days(0, 30, 80.0, 2)
    assert run([*risen, *days(30, 60, 80.0, 0, acted=10)])[0].severity == 2
    assert run([*risen, *days(30, 60, 80.0, 0, acted=40)])[0].severity == 0


def test_it_eases_a_year_after_it_was_last_shown() -> None:
    assert run([*days(0, 30, 80.0, 2), *days(30, 394, 80.0, 0)])[0].severity == 2
    assert run([*days(0, 30, 80.0, 2), *days(30, 396, 80.0, 0)])[0].severity == 0


def test_a_status_that_flickers_is_one_alarm() -> None:
    flicker = [reading(day, 80.0 + day % 2, 2 if day // 20 % 2 else 3) for day in range(400)]
    assert run(flicker)[1] == [Reason.RAISED]


def test_a_silent_instrument_is_not_forgotten_while_it_was_alarmed() -> None:
    risen = run(days(0, 30, 80.0, 2))[0]
    assert run([step(0, day=100)], risen)[0].severity == 2
    acted = replace(step(0, day=100), acted_at=NOW + timedelta(days=50))
    assert run([acted], risen)[0].severity == 0
    assert run([step(0, day=400)], risen)[0].severity == 0
