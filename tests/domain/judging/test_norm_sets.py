"""Which limits judge a sample: the published sets, the owner's limits, and where each limit says it comes from."""

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
from engine_cast import QUIET, judge, one

from app.domain.alerting.advice import advice
from app.domain.findings import Assessment, Finding
from app.domain.judging.norms import NORM_SET_NAMES, Norming, norming_of
from app.domain.judging.report import report
from app.domain.judging.verdict import verdict
from app.domain.model import Asset, AssetKind, LadderStep, LimitScope, OwnerLimit, TapChanger
from app.science.quantities import NORM_GASES


def asset(norm_set: str = "ieee_c57_104_2019", tap_changer: TapChanger = TapChanger.SEPARATE) -> Asset:
    return Asset("W-T1", "Unit 1", "W", AssetKind.REACTOR, tap_changer=tap_changer, norm_set=norm_set)


def limit(scope: LimitScope, of: str, gas: str, typical: float | None, high: float | None) -> OwnerLimit:
    return OwnerLimit(scope, of, gas, typical, high)


def norming(*limits: OwnerLimit, norm_set: str = "ieee_c57_104_2019") -> Norming:
    return norming_of(asset(norm_set), limits, 1)


def level_of(found: Assessment, gas: str) -> Finding | None:
    return next((f for f in found.findings if f.rule == "level" and f.quantity == gas), None)


FLEET = limit(LimitScope.FLEET, "", "c2h4", 100.0, 110.0)
KIND = limit(LimitScope.KIND, "reactor", "c2h4", 200.0, 210.0)
UNIT = limit(LimitScope.ASSET, "W-T1", "c2h4", 300.0, 310.0)


@pytest.mark.parametrize(
    ("limits", "expected"),
    [
        ((), 20.0),  # IEEE C57.104-2019 Table 1, O2/N2 at most 0.2, 1-9 years
        ((FLEET,), 100.0),
        ((FLEET, KIND), 200.0),
        ((FLEET, UNIT), 300.0),
        ((FLEET, KIND, UNIT), 300.0),
        ((KIND,), 200.0),
        ((UNIT,), 300.0),
    ],
)
def test_a_limit_for_the_asset_goes_before_its_kind_before_the_fleet(
    limits: tuple[OwnerLimit, ...], expected: float
) -> None:
    for order in itertools.permutations(limits):
        levels = judge([(0.0, QUIET)], norming=norming(*order)).levels
        assert levels.typical[0, NORM_GASES.index("c2h4")] == expected


@pytest.mark.parametrize(
    "other",
    [
        limit(LimitScope.KIND, "transformer", "c2h4", 5.0, 6.0),
        limit(LimitScope.ASSET, "W-T2", "c2h4", 5.0, 6.0),
    ],
)
def test_limits_of_others_do_not_concern_an_asset(other: OwnerLimit) -> None:
    assert judge([(0.0, QUIET)], norming=norming(other)).levels.typical[0, 3] == 20.0


def test_any_subset_of_gases_may_have_limits_and_the_rest_keeps_its_norm() -> None:
    published = judge([(0.0, QUIET)]).levels
    for count in (1, 3, 7):
        for gases in itertools.combinations(NORM_GASES, count):
            own = norming(*(limit(LimitScope.FLEET, "", gas, 7.0, None) for gas in gases))
            found = judge([(0.0, QUIET)], norming=own).levels
            for g, gas in enumerate(NORM_GASES):
                assert found.typical[0, g] == (7.0 if gas in gases else published.typical[0, g])
            # the owner's word stands: a published high limit below it is raised to it
            own_typical = [7.0 if gas in gases else 0.0 for gas in NORM_GASES]
            np.testing.assert_array_equal(found.high[0], np.maximum(published.high[0], own_typical))
            assert found.owner_typical[0].tolist() == [gas in gases for gas in NORM_GASES]


def test_one_scope_may_give_the_typical_and_another_the_high_limit() -> None:
    own = norming(
        limit(LimitScope.FLEET, "", "h2", 50.0, 60.0), limit(LimitScope.ASSET, "W-T1", "h2", 55.0, None)
    )
    levels = judge([(0.0, QUIET)], norming=own).levels
    assert (levels.typical[0, 0], levels.high[0, 0]) == (55.0, 60.0)


def test_the_owners_limit_decides_the_status_and_is_cited() -> None:
    lax = one(QUIET | {"c2h4": 250.0}, norming=norming(UNIT))
    assert lax.status == 1
    strict = one(QUIET | {"c2h4": 305.0}, norming=norming(UNIT))
    found = level_of(strict, "c2h4")
    assert strict.status == 2
    assert found is not None
    assert (found.limit, found.source, found.provenance) == (300.0, "owner's limit", "common practice")
    assert "above the owner's limit of 300 µL/L" in found.text
    high = level_of(one(QUIET | {"c2h4": 311.0}, norming=norming(UNIT)), "c2h4")
    assert high is not None
    assert "above the owner's high limit of 310 µL/L" in high.text


def test_a_published_limit_that_gave_way_to_the_owners_is_cited_as_the_owners() -> None:
    """Table 2 says 40 for C2H4 here; the owner's limit of 300 stands above it, so that no value lies between."""
    lax = limit(LimitScope.ASSET, "W-T1", "c2h4", 300.0, None)
    found = level_of(one(QUIET | {"c2h4": 305.0}, norming=norming(lax)), "c2h4")
    assert found is not None
    assert (found.limit, found.source) == (300.0, "owner's limit")


def test_the_owners_limits_leave_deltas_and_rates_to_the_guide() -> None:
    judgement = judge([(0.0, QUIET), (200.0, QUIET | {"c2h4": 40.0})], norming=norming_of(asset(), [UNIT], 2))
    assert judgement.changes.delta_exceeds[1, 3]


@pytest.mark.parametrize(
    ("c2h4", "condition", "status"),
    # IEEE C57.104-2008 Table 1, C2H4: condition 1 to 50, 2 to 100, 3 to 200
    [(50.0, 1, 1), (51.0, 2, 2), (101.0, 3, 2), (200.0, 3, 2), (201.0, 4, 3)],
)
def test_the_2008_set_judges_by_its_conditions(c2h4: float, condition: int, status: int) -> None:
    found = one(QUIET | {"c2h4": c2h4}, norming=norming(norm_set="ieee_c57_104_2008"))
    assert found.norm_set == "ieee_c57_104_2008"
    assert found.numbers["condition_2008"] == condition
    assert found.status == status


def test_the_2008_set_is_cited_with_its_edition() -> None:
    found = level_of(one(QUIET | {"c2h4": 201.0}, norming=norming(norm_set="ieee_c57_104_2008")), "c2h4")
    assert found is not None
    assert (found.source, found.provenance) == ("IEEE C57.104-2008, Table 1", "standard")
    assert found.text == "C₂H₄ 201 µL/L is above condition 3 of 200 µL/L (conditions of IEEE C57.104-2008)."


@pytest.mark.parametrize(
    ("tap_changer", "c2h2", "status"),
    # IEC 60599:2015 Table A.2, from memory: C2H2 2-20, with a communicating tap changer 60-280
    [
        (TapChanger.SEPARATE, 21.0, 2),
        (TapChanger.COMMUNICATING, 21.0, 1),
        (TapChanger.COMMUNICATING, 281.0, 2),
    ],
)
def test_the_iec_set_splits_acetylene_by_the_tap_changer(
    tap_changer: TapChanger, c2h2: float, status: int
) -> None:
    by = norming_of(asset("iec_60599", tap_changer), (), 1)
    assert one(QUIET | {"c2h2": c2h2}, norming=by).status == status


def test_the_iec_set_is_from_memory_and_says_so_everywhere() -> None:
    found = one(QUIET | {"h2": 151.0}, norming=norming(norm_set="iec_60599"))
    level = level_of(found, "h2")
    assert level is not None
    assert level.provenance == "from memory"
    assert level.source == "IEC 60599-2015, Tables A.2 and A.3"
    assert "from memory" in level.text
    assert verdict(found)[0].text == (
        "Status 2, intermediate gas or possible gassing, by IEC 60599 typical values (from memory)."
    )


@pytest.mark.parametrize("norm_set", ["ieee_c57_104_2008", "iec_60599"])
def test_sets_without_delta_and_rate_tables_apply_none(norm_set: str) -> None:
    samples = [(150.0 * i, QUIET | {"c2h4": 3.0 + 12.0 * i}) for i in range(4)]
    judgement = judge(samples, norming=norming_of(asset(norm_set), (), 4))
    assert not judgement.changes.delta_exceeds.any()
    assert not judgement.changes.rate_exceeds.any()
    assert not judgement.changes.suspect.any()
    assert report(judgement, 3).rates["c2h4"].per_year == pytest.approx(12.0 / 150.0 * 365.0)


def test_every_set_has_a_name_that_people_read() -> None:
    assert set(NORM_SET_NAMES) == {"ieee_c57_104_2019", "ieee_c57_104_2008", "iec_60599"}


def test_the_doubtful_cell_of_table_2_says_that_it_is_doubtful() -> None:
    """CH4, O2/N2 above 0.2, over 30 years: read as 30 in the guide, 60 by another recollection."""
    found = level_of(one({"ch4": 31.0}, age=35.0), "ch4")
    assert found is not None
    assert found.limit == 30.0
    assert "doubtful" in found.text


# --- side by side -----------------------------------------------------------------------------------------


def test_every_set_is_shown_side_by_side_whichever_judges() -> None:
    """Table 1 of 2019 (age 5, O2/N2 low): H2 75. Condition 1 of 2008: H2 100. IEC range: H2 150 (from memory)."""
    shown = report(judge([(0.0, QUIET | {"h2": 90.0})], age=5.0), 0).norm_sets
    assert list(shown) == ["ieee_c57_104_2019", "ieee_c57_104_2008", "iec_60599"]
    assert [levels["h2"] for levels in shown.values()] == [1, 0, 0]
    assert all(levels["c2h4"] == 0 for levels in shown.values())


# --- the 2008 guide's actions -----------------------------------------------------------------------------


def test_an_asset_judged_by_2008_gets_the_action_of_its_condition_and_rate() -> None:
    """Thesis, Universitas Indonesia, 2008, Table 3.4: condition 3 below 10 µL/L a day is sampled monthly."""
    given = replace(
        one(QUIET | {"h2": 1500.0}),
        norm_set="ieee_c57_104_2008",
        numbers={"condition_2008": 3.0, "tdcg_per_day": 2.0},
    )
    actions = advice(given, Asset("A", "A", "S"), datetime(2026, 3, 1, tzinfo=UTC)).actions
    by_table = next(a for a in actions if "Table 3.4" in a.source)
    assert by_table.due == date(2026, 3, 31)
    assert by_table.text.startswith("Extreme caution.")
    sample = next(a for a in actions if a.text.startswith("Take another sample"))
    assert "then go on monthly" in sample.text


def test_the_owner_s_own_steps_replace_those_of_their_rung_only() -> None:
    own = [LadderStep("watch", 2, "Ask Pell.", 10), LadderStep("watch", 1, "Sample again.", 5)]
    watched = replace(one(QUIET), status=2, course=None)
    at = datetime(2026, 3, 1, tzinfo=UTC)
    steps = advice(watched, Asset("A", "A", "S"), at, own)
    assert [(a.text, a.due) for a in steps.actions] == [
        ("Sample again.", date(2026, 3, 6)),
        ("Ask Pell.", date(2026, 3, 11)),
    ]
    assert {a.source for a in steps.actions} == {"owner's ladder of actions"}
    routine = replace(watched, status=1)
    assert advice(routine, Asset("A", "A", "S"), at, own) == advice(routine, Asset("A", "A", "S"), at)


# --- oil quality ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kv", "quantity", "value", "limit"),
    [
        (69.0, "acidity", 0.2, None),
        (69.0, "acidity", 0.21, 0.2),
        (110.0, "acidity", 0.16, 0.15),
        (230.0, "interfacial_tension", 31.0, 32.0),
        (110.0, "breakdown_voltage", 46.0, 47.0),
        (None, "acidity", 0.6, None),
    ],
)
def test_oil_quality_is_told_by_voltage_class(
    kv: float | None, quantity: str, value: float, limit: float | None
) -> None:
    """IEEE C57.106-2006 Table 5, from memory and told as such."""
    unit = norming_of(Asset("W-T1", "Unit 1", "W", rated_kv=kv), (), 1)
    found = report(judge([(0.0, QUIET | {quantity: value})], norming=unit), 0).findings
    found = tuple(f for f in found if f.rule == "oil")
    assert [f.limit for f in found] == ([] if limit is None else [limit])
    assert all(f.provenance == "from memory" and "one test result" in f.text for f in found)
