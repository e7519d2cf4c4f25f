"""From findings to alerts, what goes on and what ends, and agreement with the laboratory: pure, by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from fleet_cast import T0

from app.domain.alerting.condition import Look
from app.domain.alerting.conditions.agreement import AGREEMENT
from app.domain.alerting.conditions.data_quality import DATA_QUALITY
from app.domain.instruments.agreement import Agreed, Agreement, AgreementRule, agreement
from app.domain.instruments.continued import reconcile
from app.domain.instruments.findings import InstrumentFinding, Kind
from app.domain.instruments.record import DailyRecord, InstrumentRecord, LaboratoryRecord
from app.domain.instruments.verdict import TOLD_FOR
from app.domain.judging.frame import to_days
from app.domain.model import EventKind
from app.science.quantities import INDEX, NAMES

DAY = timedelta(days=1)


def finding(
    kind: Kind, begins: int, ends: int | None = None, quantity: str = "h2", spikes: float = 0.0
) -> InstrumentFinding:
    figures = {"spikes": spikes} if spikes else {}
    end = None if ends is None else T0 + ends * DAY
    return InstrumentFinding(kind, quantity, T0 + begins * DAY, end, "It is so since {since}.", figures)


def record(
    online: dict[str, float], pairs: list[dict[str, float]], calibrated: float | None = None
) -> InstrumentRecord:
    """A monitor that says the same every day for 300 days, and laboratory samples every 30 days."""
    days = np.arange(20_000.0, 20_300.0)
    shape = (len(days), len(NAMES))
    medians = np.full(shape, np.nan)
    for name, value in online.items():
        medians[:, INDEX[name]] = value
    nothing = np.zeros(shape, dtype=np.bool_)
    six = np.full(len(days), 6.0)
    daily = DailyRecord(days, medians, medians, medians, nothing, np.where(np.isnan(medians), 0.0, 6.0), six)
    values = np.full((len(pairs), len(NAMES)), np.nan)
    for row, pair in enumerate(pairs):
        for name, value in pair.items():
            values[row, INDEX[name]] = value
    lab = LaboratoryRecord(
        np.arange(len(pairs), dtype=np.float64) * 30.0 + 20_010.4,
        values,
        np.zeros(values.shape, dtype=np.bool_),
    )
    empty = np.zeros((0, len(NAMES)))
    events = () if calibrated is None else ((calibrated, EventKind.CALIBRATION),)
    return InstrumentRecord(
        20_300.0, np.zeros(0), empty, empty.astype(np.bool_), daily, lab, events, expected_days=1 / 6
    )


def only(found: list[Agreement]) -> Agreement:
    (one,) = found
    return one


# --- agreement --------------------------------------------------------------------------------------------


def test_a_bias_within_the_band_is_in_band_with_ratios_for_high_values() -> None:
    one = only(
        agreement(record({"co": 330.0}, [{"co": v} for v in (300.0, 310.0, 290.0, 300.0)]), AgreementRule())
    )
    assert one.agreed is Agreed.IN_BAND
    assert one.relative
    expected = np.exp(np.mean(np.log(330.0 / np.array([300.0, 310.0, 290.0, 300.0])))) - 1.0
    assert one.bias == pytest.approx(expected)
    assert one.bias_low < one.bias < one.bias_high < 0.2
    assert one.low < one.bias_low
    assert one.low_low < one.low < one.high < one.high_high


def test_a_bias_beyond_the_band_is_out_and_a_wider_band_lets_it_in() -> None:
    given = record({"co": 420.0}, [{"co": v} for v in (300.0, 310.0, 290.0)])
    assert only(agreement(given, AgreementRule())).agreed is Agreed.OUT_OF_BAND
    assert only(agreement(given, AgreementRule(band=0.5))).agreed is Agreed.IN_BAND


def test_two_pairs_are_too_few_and_no_pair_is_no_agreement() -> None:
    given = record({"co": 900.0}, [{"co": 300.0}, {"co": 310.0}])
    assert only(agreement(given, AgreementRule())).agreed is Agreed.TOO_FEW
    assert agreement(record({"co": 900.0}, [{"h2": 30.0}]), AgreementRule()) == []


def test_near_detection_the_difference_counts_and_not_the_ratio() -> None:
    """Acetylene of 1.4 against 0.8: +75 %, but 0.6 µL/L; a band of 20 % of five detection limits is 1 µL/L."""
    given = record({"c2h2": 1.4}, [{"c2h2": v} for v in (0.8, 0.7, 0.9)])
    one = only(agreement(given, AgreementRule()))
    assert not one.relative
    assert one.band == pytest.approx(1.0)
    assert one.bias == pytest.approx(0.6)
    assert one.agreed is Agreed.IN_BAND


def test_what_came_before_a_calibration_does_not_count() -> None:
    pairs = [{"co": v} for v in (300.0, 310.0, 290.0, 420.0, 410.0, 430.0)]
    one = only(agreement(record({"co": 420.0}, pairs, calibrated=20_095.0), AgreementRule()))
    assert len(one.pairs) == 3
    assert one.agreed is Agreed.IN_BAND


def test_a_laboratory_value_below_its_limit_makes_no_pair() -> None:
    given = record({"h2": 40.0}, [{"h2": 30.0}] * 4)
    given.laboratory.below[:, INDEX["h2"]] = True
    assert agreement(given, AgreementRule()) == []


def test_scatter_that_cannot_tell_a_bias_from_none_is_not_out_of_band() -> None:
    pairs = [{"co": v} for v in (180.0, 700.0, 150.0)]
    one = only(agreement(record({"co": 390.0}, pairs), AgreementRule()))
    assert abs(one.bias) > one.band
    assert one.agreed is Agreed.IN_BAND


# --- alerts -----------------------------------------------------------------------------------------------


def test_nothing_found_is_severity_zero() -> None:
    assert DATA_QUALITY.seen(Look([], [], T0)) == AGREEMENT.seen(Look([], [], T0)) == (0, "")


@pytest.mark.parametrize(
    ("found", "severity", "headline"),
    [
        ([finding(Kind.STUCK, 0)], 2, "H₂: stuck"),
        ([finding(Kind.DAILY_CYCLE, 0)], 1, "H₂: swings with the day"),
        (
            [
                finding(Kind.DRIFT, 0, quantity="co"),
                finding(Kind.MISSING, 0),
                finding(Kind.MISSING, 0, quantity="ch4"),
            ],
            2,
            "H₂, CH₄: missing; CO: drifts",
        ),
        ([finding(Kind.SPIKE, 0, 1, spikes=2)], 0, ""),
        ([finding(Kind.SPIKE, 0, 1, spikes=3)], 1, "H₂: spikes"),
        ([replace(finding(Kind.STEP, 0, 0), explained_by="calibration")], 0, ""),
        ([finding(Kind.STEP, 0, 0)], 1, "H₂: a step"),
    ],
)
def test_what_is_told_of_findings(found: list[InstrumentFinding], severity: int, headline: str) -> None:
    assert DATA_QUALITY.seen(Look(found, [], T0 + DAY)) == (severity, headline)


def test_a_finding_that_is_long_over_asks_for_nothing() -> None:
    over = finding(Kind.STUCK, 0, 3)
    assert DATA_QUALITY.seen(Look([over], [], T0 + 3 * DAY + TOLD_FOR))[0] == 2
    assert DATA_QUALITY.seen(Look([over], [], T0 + 4 * DAY + TOLD_FOR))[0] == 0


def test_the_headline_of_agreement_says_how_far() -> None:
    co = agreement(record({"co": 420.0}, [{"co": v} for v in (300.0, 310.0, 290.0)]), AgreementRule())
    assert AGREEMENT.seen(Look([], co, T0)) == (1, "against the laboratory: CO +40 %")
    low = agreement(record({"co": 120.0}, [{"co": v} for v in (300.0, 310.0, 290.0)]), AgreementRule())
    assert AGREEMENT.seen(Look([], low, T0))[0] == 2
    h2 = agreement(record({"h2": 90.0}, [{"h2": v} for v in (60.0, 61.0, 59.0)]), AgreementRule())
    assert AGREEMENT.seen(Look([], h2, T0)) == (2, "against the laboratory: H₂ +50 %")


# --- going on ---------------------------------------------------------------------------------------------


def test_a_finding_goes_on_with_the_beginning_it_had() -> None:
    known = {7: finding(Kind.STUCK, 0)}
    seen = finding(Kind.STUCK, 20)
    result = reconcile(known, [seen], T0 + 50 * DAY)
    assert result.new == ()
    assert result.ended == ()
    ((key, now),) = result.going_on
    assert (key, now.begins_at) == (7, T0)
    assert now.text == "It is so since 2026-03-01 00:00 UTC."


def test_an_open_finding_that_is_not_seen_ends_and_one_that_was_over_stays_as_it_is() -> None:
    known = {
        1: finding(Kind.STUCK, 0),
        2: finding(Kind.SPIKE, 0, 1),
        3: finding(Kind.DRIFT, 0, quantity="co"),
    }
    result = reconcile(known, [finding(Kind.DRIFT, 0, quantity="co")], T0 + 9 * DAY)
    assert result.ended == (1,)
    assert [key for key, _ in result.going_on] == [3]


def test_another_stretch_later_is_another_finding() -> None:
    known = {1: finding(Kind.STUCK, 0, 5)}
    result = reconcile(known, [finding(Kind.STUCK, 20, 22)], T0 + 30 * DAY)
    assert [f.begins_at for f in result.new] == [T0 + 20 * DAY]
    assert reconcile(known, [finding(Kind.STUCK, 6, 9)], T0 + 30 * DAY).new == ()


def test_times_are_days_since_1970() -> None:
    assert to_days(datetime(1970, 1, 2, 12, tzinfo=UTC)) == 1.5
