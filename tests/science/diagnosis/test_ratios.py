"""Conventions of the ratios, and what the ratio tables leave open."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.science.diagnosis import ratios

gas = st.floats(0.0, 1e5, allow_nan=False)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        (3.0, 2.0, 1.5),
        (0.0, 2.0, 0.0),
        (2.0, 0.0, np.inf),
        (0.0, 0.0, np.nan),
        (np.nan, 1.0, np.nan),
        (1.0, np.nan, np.nan),
        (-1.0, 2.0, np.nan),
        (1.0, -2.0, np.nan),
    ],
)
def test_a_ratio_is_never_a_plausible_number_where_there_is_none(a: float, b: float, expected: float) -> None:
    assert np.array_equal(ratios.ratio(a, b), np.asarray(expected), equal_nan=True)


def test_ratios_keep_the_shape() -> None:
    for shape in ((), (0,), (4,), (2, 3)):
        ones = np.ones(shape)
        assert ratios.ratio(ones, 2.0).shape == shape
        assert ratios.iec_60599_cases(ones, ones, ones, ones, ones).shape == (*shape, 6)
        assert ratios.rogers_case(ones, ones, ones, ones, ones).shape == shape
        assert ratios.doernenburg(ones, ones, ones, ones, ones, ones).step.shape == shape
        assert ratios.key_gas(ones, ones, ones, ones, ones, ones).case.shape == shape
        assert ratios.tdcg(ones, ones, ones, ones, ones, ones).shape == shape


@given(st.tuples(gas, gas, gas, gas, gas))
def test_only_the_overlaps_of_the_iec_table_hold_together(gases: tuple[float, ...]) -> None:
    held = {c for c, h in zip(ratios.IEC_60599_CASES, ratios.iec_60599_cases(*gases), strict=True) if h}
    assert len(held) <= 1 or held in ({"D1", "D2"}, {"PD", "T1"})


def test_overlaps_and_gaps_of_the_iec_table_exist() -> None:
    """Rows of the table are not a partition (IEC 60599:2022 Table 1); nothing is invented to make them one."""
    gases = np.random.default_rng(1).exponential(size=(5, 100_000))
    held = ratios.iec_60599_cases(*gases).sum(axis=-1)
    assert (held == 0).any()
    assert (held == 2).any()
    assert (held <= 2).all()


@pytest.mark.parametrize(
    ("gases", "expected"),
    [
        ((100, 200, 100, 100, 0), "T2"),  # C2H4/C2H6 = 1 is in "1-4", not in "<1"
        ((100, 200, 100, 400, 0), "T2"),  # 4 is in "1-4", not in ">4"
        ((100, 100, 100, 200, 0), ""),  # CH4/H2 = 1 is not ">1"
        ((100, 10, 10, 20, 30), "D1"),  # CH4/H2 = 0.1 is in "0.1-0.5"; C2H4/C2H6 = 2 is not ">2"
    ],
)
def test_ends_of_the_iec_ranges(gases: tuple[float, ...], expected: str) -> None:
    held = ratios.iec_60599_cases(*gases)
    assert " ".join(c for c, h in zip(ratios.IEC_60599_CASES, held, strict=True) if h) == expected


def test_a_missing_gas_meets_no_limit_but_a_cell_that_does_not_matter() -> None:
    assert not ratios.iec_60599_cases(100, 200, np.nan, 200, 1).any()
    # T1 does not look at hydrogen or acetylene
    assert ratios.iec_60599_cases(np.nan, 200, 100, 50, 0)[ratios.IEC_60599_CASES.index("T1")]
    assert int(ratios.rogers_case(np.nan, 1, 1, 1, 1)) == -1


@given(st.tuples(gas, gas, gas, gas, gas))
def test_at_most_one_rogers_case_holds(gases: tuple[float, ...]) -> None:
    names = tuple(str(i) for i in range(6))
    held = ratios._cases("rogers_ratios", names, ratios._three_ratios(*gases))
    assert held.sum() <= 1


def test_doernenburg_says_which_step_failed() -> None:
    result = ratios.doernenburg(
        [np.nan, 50, 250, 200],
        [100, 50, 10, 190],
        [10, 10, 70, 20],
        [10, 10, 5, 150],
        [5, 0, 0, 10],
        [10] * 4,
    )
    assert [ratios.DOERNENBURG_STEPS[s] for s in result.step] == [
        "missing gas",
        "levels too low",
        "ratio not meaningful",
        "ratios disagree",
    ]
    assert (result.fault == -1).all()


def test_doernenburg_does_without_carbon_monoxide() -> None:
    assert int(ratios.doernenburg(200, 130, 20, 60, 90, np.nan).fault) == 2


def test_doernenburg_in_the_gas_space_has_limits_of_its_own() -> None:
    """IEEE C57.104-2019 Table D.2: CH4/H2 0.5 is arcing in oil, thermal in the gas space (above 0.1)."""
    gases = (400.0, 200.0, 100.0, 300.0, 10.0, 0.0)
    assert int(ratios.doernenburg(*gases, gas_space=True).fault) == 0
    assert ratios.DOERNENBURG_STEPS[int(ratios.doernenburg(*gases).step)] == "ratios disagree"


def test_key_gas_names_nothing_it_does_not_resemble() -> None:
    assert int(ratios.key_gas(1, 1, 1, 1, 1, 1).case) == -1
    assert int(ratios.key_gas(0, 0, 0, 0, 0, 0).case) == -1
    assert np.isnan(ratios.key_gas(np.nan, 1, 1, 1, 1, 1).match)


def test_tdcg_has_no_value_with_a_gas_missing() -> None:
    assert np.isnan(ratios.tdcg(1, 2, 3, np.nan, 5, 6))
