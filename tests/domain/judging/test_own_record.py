"""Compartments that no published norm is for: courses sample by sample, the dangerous one and its harmless twin."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from engine_cast import START, Samples, frame, judge

from app.domain.alerting.advice import advice
from app.domain.alerting.conditions.own_record import OWN_RECORD
from app.domain.alerting.conditions.registry import evidence
from app.domain.alerting.decisions import AlertState, decide
from app.domain.alerting.online_shown import OnlineShown
from app.domain.alerting.shown import Speaker, of_assessment
from app.domain.alerting.states import Reason
from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Floats, to_days
from app.domain.judging.light_view import online_view
from app.domain.judging.norms import norming_of
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset, CompartmentKind, LimitScope, Liquid, OwnerLimit
from app.science.norms.own_record import LEAST_SPREAD, own_limit, own_limits, robust_score
from app.science.quantities import NORM_GASES
from app.science.tables import TableError, rows

TAP_CHANGER, MAIN = CompartmentKind.TAP_CHANGER, CompartmentKind.MAIN_TANK
ESTER = Asset("E", "E", "S", liquid=Liquid.NATURAL_ESTER)
UNIT = Asset("U", "U", "S")
BRIEF = ReportOptions(detailed=False)
SPEAKER = Speaker(":laboratories", online=False)

Levels = Mapping[str, float]


def changer(c2h4: float, c2h2: float, h2: float = 900.0) -> Levels:
    return {"h2": h2, "ch4": 300.0, "c2h6": 50.0, "c2h4": c2h4, "c2h2": c2h2, "co": 100.0, "co2": 800.0}


def ester(c2h2: float = 0.0, h2: float = 30.0, c2h6: float = 150.0, c2h4: float = 5.0) -> Levels:
    return {"h2": h2, "ch4": 10.0, "c2h6": c2h6, "c2h4": c2h4, "c2h2": c2h2, "co": 300.0, "co2": 2000.0}


def course(
    samples: Sequence[Levels],
    asset: Asset = UNIT,
    kind: CompartmentKind = TAP_CHANGER,
    limits: Sequence[OwnerLimit] = (),
    every: float = 180.0,
) -> list[Assessment]:
    """The assessments of samples taken at one pace."""
    dated = [(every * i, s) for i, s in enumerate(samples)]
    judgement = judge(dated, norming=norming_of(asset, limits, len(samples), kind))
    return [report(judgement, row, BRIEF) for row in range(len(samples))]


def severities(assessments: Sequence[Assessment]) -> list[int]:
    """What each sample shows the alert, which has no status to go by."""
    assert all(a.status is None for a in assessments)
    found = []
    for a in assessments:
        says = {c.name: e for c, e in evidence(of_assessment(a, SPEAKER)).items()}
        assert set(says) <= {"own_record", "water", "oil", "paper"}
        found.append(says["own_record"].severity)
    return found


def told(assessment: Assessment) -> str:
    return " ".join(f.text for f in assessment.findings if f.rule == "own_record")


# --- tap changers -----------------------------------------------------------------------------------------


def test_an_ordinary_year_of_a_tap_changer_is_silent() -> None:
    year = course([changer(250, c2h2) for c2h2 in (3000, 3050, 3100, 3150, 3200)], every=90.0)
    assert severities(year) == [0] * 5
    assert [a.findings for a in year if any(f.rule == "extreme" for f in a.findings)] == []


def test_gas_that_grows_with_the_operations_is_silent() -> None:
    grown = [changer(c2h2 / 10, c2h2) for c2h2 in (300, 900, 1500, 2200, 2900, 3500)]
    assert severities(course(grown, every=365.0)) == [0] * 6


def test_contacts_that_overheat_are_told_by_c2h4_and_the_ratio_together() -> None:
    pairs = [(250, 2500), (270, 2700), (300, 3000), (320, 3100), (700, 3200), (1800, 3300), (4000, 3400)]
    hot = course([changer(*pair) for pair in pairs])
    assert severities(hot) == [0, 0, 0, 0, 2, 4, 4]
    assert told(hot[5]) == (
        "No published norm for tap-changer oil; against its own record of 4 samples C₂H₄ rose from 285 to 1800 µL/L "
        "and C₂H₄/C₂H₂ from 0.1 to 0.55: contacts may be overheating or coking. This is extreme: investigate at once."
    )


def test_more_operations_raise_c2h4_and_c2h2_alike_and_are_silent() -> None:
    busy = [changer(c2h4, 10 * c2h4) for c2h4 in (250, 270, 300, 320, 1800)]
    assert severities(course(busy)) == [0] * 5


def test_hydrogen_that_escapes_says_nothing() -> None:
    assert severities(course([changer(250, 2500, h2) for h2 in (900, 800, 850, 40)])) == [0] * 4


def test_acetylene_alarms_where_the_record_shows_none_for_half_a_year() -> None:
    vacuum = course([changer(10, c2h2, 10.0) for c2h2 in (0, 0, 1, 0, 60, 300)])
    assert severities(vacuum) == [0, 0, 0, 0, 3, 4]
    fresh = [changer(10, c2h2, 10.0) for c2h2 in (0, 5, 60, 300)]
    assert severities(course(fresh, every=14.0)) == [0] * 4  # a changer that breaks current, after new oil


def test_a_first_sample_far_above_anything_ordinary_counts_with_its_ratio() -> None:
    assert severities(course([changer(20_000, 2_000)])) == [4]
    assert severities(course([changer(2_000, 500)])) == [3]
    assert severities(course([changer(2_000, 20_000)])) == [0]


# --- esters -----------------------------------------------------------------------------------------------


def test_acetylene_that_appears_in_an_ester_alarms_and_stays() -> None:
    arcing = course([ester(c2h2) for c2h2 in (0, 0, 0, 0, 3, 12, 60, 60, 60)], ESTER, MAIN)
    assert severities(arcing)[:8] == [0, 0, 0, 0, 2, 3, 4, 4]
    assert severities(arcing)[8] >= 3  # a year at 60 is its record by then; the level itself still counts
    assert told(arcing[6]) == (
        "No published norm for this natural ester; against its own record of 4 samples C₂H₂ of 60 µL/L, where none is "
        "usual, is extreme: investigate at once."
    )


def test_its_second_sample_can_alarm_already() -> None:
    assert severities(course([ester(0), ester(12)], ESTER, MAIN)) == [0, 3]


def test_stray_gas_of_a_new_ester_is_only_watched() -> None:
    stray = [(5, 10), (30, 90), (60, 200), (80, 260), (85, 280), (86, 290)]
    found = course([ester(0, h2, c2h6) for h2, c2h6 in stray], ESTER, MAIN, every=60.0)
    assert max(severities(found)) == 2


def test_a_flat_ester_is_silent() -> None:
    rng = np.random.default_rng(10)
    noisy = [{g: v * rng.lognormal(0.0, 0.09) for g, v in ester(0.4).items()} for _ in range(40)]
    assert severities(course(noisy, ESTER, MAIN)) == [0] * 40


def test_a_first_sample_of_an_ester_that_arcs_is_extreme() -> None:
    (first,) = course([ester(5000.0, h2=5000.0)], ESTER, MAIN)
    assert severities([first]) == [4]
    steps = advice(first, ESTER, datetime(2026, 1, 1, tzinfo=UTC))
    assert steps.urgency == "extreme"
    assert steps.actions[0].text.startswith("Investigate at once")
    assert not any("routine" in a.text for a in steps.actions)
    assert any("nobody operates the tap changer" in text for text in steps.cautions)
    assert any("C₂H₂ of 5000 µL/L" in s.text for s in verdict(first))


def test_silicone_is_judged_like_the_other_liquids() -> None:
    silicone = Asset("I", "I", "S", liquid=Liquid.SILICONE)
    found = course([ester(c2h2) for c2h2 in (0, 0, 0, 12)], silicone, MAIN)
    assert severities(found) == [0, 0, 0, 3]
    assert "this silicone liquid" in told(found[-1])


def test_mineral_oil_in_a_main_tank_has_its_norms_and_no_own_record() -> None:
    judgement = judge([(0, ester(0)), (180, ester(500))])
    found = report(judgement, 1, BRIEF)
    assert found.status == 3
    assert "own_record" not in found.looked_at
    assert told(found) == ""


# --- the record -------------------------------------------------------------------------------------------


def test_what_held_level_for_a_year_is_usual_and_a_review_makes_it_so_at_once() -> None:
    levels = [ester(c2h4=x) for x in (5, 5, 5, 60, 62, 61, 60, 60)]
    assert severities(course(levels, ESTER, MAIN)) == [0, 0, 0, 2, 2, 2, 2, 0]
    dated = [(180.0 * i, s) for i, s in enumerate(levels)]
    series = frame(dated)
    series.reviewed[5] = True
    reviewed = assess(series, norming=norming_of(ESTER, (), len(dated)))
    assert reviewed.own_record.severity().tolist() == [0, 0, 0, 2, 2, 0, 0, 0]


def test_a_reviewed_level_speaks_again_when_it_rises() -> None:
    dated = [(180.0 * i, ester(c2h2)) for i, c2h2 in enumerate((30, 30, 30, 45))]
    series = frame(dated)
    series.reviewed[1] = True
    found = assess(series, norming=norming_of(ESTER, (), len(dated)))
    assert found.own_record.by_level.max(axis=1).tolist() == [3, 0, 0, 3]


def test_samples_below_the_limit_are_no_rise() -> None:
    dated = [(180.0 * i, {"c2h2": "<1", "c2h4": "<50" if i > 3 else "<1"}) for i in range(8)]
    judgement = judge(dated, norming=norming_of(ESTER, (), len(dated)))
    assert judgement.own_record.severity().tolist() == [0] * 8


# --- owner's limits ---------------------------------------------------------------------------------------


def test_the_owner_s_limits_count_where_no_norm_does_and_each_for_its_kind_of_compartment() -> None:
    of_main = OwnerLimit(LimitScope.FLEET, "", "c2h2", 1.0, 5.0)
    of_changer = OwnerLimit(LimitScope.FLEET, "", "c2h4", 200.0, 400.0, compartment=TAP_CHANGER)
    found = course([changer(c2h4, 3000) for c2h4 in (150, 250, 450)], limits=(of_main, of_changer))
    assert severities(found) == [0, 2, 3]
    assert told(found[2]) == "C₂H₄ 450 µL/L is above the owner's high limit of 400 µL/L."
    assert severities(course([ester(2), ester(6)], ESTER, MAIN, (of_main,))) == [2, 3]


# --- instruments ------------------------------------------------------------------------------------------


def monitor(levels: Mapping[str, Floats], asset: Asset, kind: CompartmentKind) -> Judgement:
    """A monitor that reads once every six hours."""
    count = len(next(iter(levels.values())))
    samples = [(0.25 * i, {gas: float(column[i]) for gas, column in levels.items()}) for i in range(count)]
    return assess(frame(samples, online=True), norming=norming_of(asset, (), count, kind))


def test_a_monitor_on_an_ester_is_judged_by_its_days_and_raises_after_two_readings() -> None:
    c2h2 = np.r_[np.full(4 * 60, 0.5), np.full(4 * 3, 50.0)]
    judgement = monitor({"c2h2": c2h2, "h2": np.full(len(c2h2), 40.0)}, ESTER, MAIN)
    rows_of = np.arange(len(c2h2), dtype=np.int64)
    view = online_view(judgement, rows_of)
    shown = OnlineShown(view)
    state = next(iter(evidence(shown.row(0, Speaker("M", online=True)))))
    alert, raised = AlertState(state), []
    for i in rows_of:
        at = START.replace(tzinfo=UTC)
        speaker = Speaker("M", True, datetime.fromtimestamp(to_days(at) * 86_400 + 21_600 * int(i), UTC))
        by_columns = evidence(shown.row(int(i), speaker))[state]
        in_full = evidence(of_assessment(report(judgement, int(i), BRIEF), speaker))[state]
        assert (by_columns.severity, by_columns.gases) == (in_full.severity, in_full.gases)
        alert, change = decide(alert, by_columns, speaker.at or at)
        if change:
            raised.append((int(i), change.after.severity))
    assert raised == [(241, 4)]
    assert 240 in shown.that_can_move_alerts(rows_of.tolist())


def test_a_monitor_on_a_tap_changer_s_ordinary_season_is_silent() -> None:
    c2h2 = np.linspace(3000, 3200, 4 * 90)
    judgement = monitor({"c2h2": c2h2, "c2h4": c2h2 / 10}, UNIT, TAP_CHANGER)
    assert judgement.own_record.severity().max() == 0


def test_a_record_that_caught_up_with_the_gas_eases_nothing_on_line() -> None:
    """Arcing in an ester stays for most of a year: the daily medians learn it, the alert does not."""
    c2h2 = np.r_[np.full(60, 0.5), np.full(300, 60.0), np.full(40, 0.5)]
    samples = [(float(i), {"c2h2": float(v)}) for i, v in enumerate(c2h2)]
    judgement = assess(frame(samples, online=True), norming=norming_of(ESTER, (), len(samples)))
    shows = OnlineShown(online_view(judgement, np.arange(len(samples), dtype=np.int64)))
    state = AlertState(OWN_RECORD)
    events = []
    for day in range(len(samples)):
        at = START + timedelta(days=day)
        state, change = decide(state, evidence(shows.row(day, Speaker("M", True, at)))[OWN_RECORD], at)
        if change:
            events.append((day, change.reason, state.severity))
    assert judgement.own_record.by_rise[350].max() == 0  # the record is 60 by then
    assert events == [(61, Reason.RAISED, 4), (371, Reason.EASED, 3), (383, Reason.RETURNED, 0)]


# --- the table --------------------------------------------------------------------------------------------


SECOND: dict[str, dict[str, tuple[float | None, ...]]] = {
    "other_liquid rise": {
        "h2": (50, 200, None),
        "ch4": (30, 150, 700),
        "c2h6": (50, None, None),
        "c2h4": (20, 100, 400),
        "c2h2": (1, 5, 35),
        "co": (300, None, None),
        "co2": (3000, None, None),
    },
    "other_liquid level": {
        "h2": (None, 2000, 5000),
        "ch4": (None, 2000, 5000),
        "c2h4": (None, 500, 2500),
        "c2h2": (None, 20, 100),
    },
    "tap_changer rise": {"c2h4": (50, 200, 1000), "c2h2": (5, 20, 100)},
    "tap_changer level": {"c2h4": (None, 1000, 10000)},
}


def test_the_limits_a_second_time() -> None:
    for which, by_gas in SECOND.items():
        of, kind = which.split()
        expected = [[limit or np.inf for limit in by_gas.get(gas, (None,) * 3)] for gas in NORM_GASES]
        assert own_limits(of, kind, NORM_GASES).T.tolist() == expected
    assert [own_limit("any", "score", "", s) for s in (2, 3, 4)] == [3, 5, 8]
    assert own_limit("tap_changer", "ratio", "c2h4/c2h2", 3) == 3
    assert own_limit("tap_changer", "quiet", "c2h2", 2) == 10
    assert len(rows("own_record")) == 3 + 2 + sum(
        limit is not None for by_gas in SECOND.values() for line in by_gas.values() for limit in line
    )
    with pytest.raises(TableError, match="no kind 'x'"):
        own_limit("any", "x", "", 2)


def test_every_limit_is_ours_or_from_memory_and_says_so() -> None:
    for row in rows("own_record"):
        assert row["provenance"] == "from memory" or row["note"].startswith("ours")


def test_the_robust_score_by_hand() -> None:
    record = np.array([1.0, 2.0, 3.0, 4.0, 10.0])  # median 3, absolute deviations 2 1 0 1 7: their median 1
    assert float(robust_score(6.0, record)) == pytest.approx(3.0 / 1.4826)
    assert float(robust_score(1.2, np.full(4, 1.0))) == pytest.approx(0.2 / LEAST_SPREAD)
    columns = np.column_stack([record, np.r_[record[:4], np.nan]])
    assert robust_score(np.array([6.0, 6.0]), columns) == pytest.approx([3.0 / 1.4826, 3.5 / 1.4826])
    assert np.isnan(robust_score(1.0, np.full(3, np.nan)))


def test_a_gas_that_was_never_found_is_said_to_be_usually_none() -> None:
    quiet = [ester() for _ in range(6)]
    text = next(f.text for f in course([*quiet, ester(c2h2=60.0)], ESTER, MAIN)[6].findings)
    assert "where none is usual" in text
    assert " 0 µL/L" not in text


def test_a_compartment_without_norms_is_not_called_blind() -> None:
    """A detection limit above a norm hides nothing where no norm applies."""
    for asset, kind in ((ESTER, MAIN), (UNIT, TAP_CHANGER)):
        found_none: dict[str, float | str] = {**ester(), "c2h2": "<5"}
        rows_: Samples = [(0.0, ester()), (180.0, found_none)]
        judgement = judge(rows_, norming=norming_of(asset, (), 2, kind))
        found = report(judgement, 1, BRIEF)
        assert not [f for f in found.findings if f.rule in {"detection_limit", "unjudged"}]
        assert advice(found, asset, datetime(2026, 1, 1, tzinfo=UTC)).urgency == "routine"


def test_why_there_is_no_status_is_said_once() -> None:
    said = [s.text for s in verdict(course([ester()], ESTER, MAIN)[0])]
    assert said[0] == "No status. The norms are for mineral oil; this unit holds another liquid."
    assert sum("this unit holds another liquid" in text for text in said) == 1
