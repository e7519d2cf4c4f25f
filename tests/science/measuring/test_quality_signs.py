"""Signs of a bad sample or a slip: each is seen where it is, and not where it is not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.science.measuring import quality, slips
from app.science.oil.volumes import air_saturation

USUAL = np.array([50.0, 80.0, 60.0, 120.0, 4.0, 400.0, 4000.0])
noise = st.lists(st.floats(0.8, 1.25), min_size=7, max_size=7)


@given(noise)
def test_ordinary_scatter_is_no_slip(factors: list[float]) -> None:
    sample = USUAL * factors
    assert not slips.lost_digit(sample, USUAL).any()
    assert int(slips.unit_slip(sample, USUAL)) == 0
    found = slips.rearranged_columns(sample, USUAL)
    assert int(found.shift) == 0
    assert found.swapped.tolist() == [-1, -1]


@given(noise, st.sampled_from([0, 1, 2, 3, 5, 6]), st.booleans())  # 4 to 0.4 µL/L is what any trace may do
def test_a_lost_or_doubled_digit_is_found(factors: list[float], gas: int, lost: bool) -> None:
    sample = USUAL * np.clip(factors, 0.9, 1.1)
    sample[gas] = sample[gas] / 10 if lost else sample[gas] * 10
    expected = np.arange(7) == gas
    assert slips.lost_digit(sample, USUAL).tolist() == expected.tolist()


@given(noise, st.sampled_from([-4, -3, -2, -1, 1, 2, 3, 4]))
def test_a_wrong_unit_is_found_with_its_power(factors: list[float], power: int) -> None:
    assert int(slips.unit_slip(USUAL * factors * 10.0**power, USUAL)) == power


def test_gases_that_all_doubled_are_no_unit_slip() -> None:
    assert int(slips.unit_slip(USUAL * 2, USUAL)) == 0
    assert int(slips.unit_slip([500.0, np.nan, 0.0], [50.0, 60.0, 1.0])) == 0


def test_a_shifted_row_and_exchanged_columns_are_found() -> None:
    late = np.r_[9.0, USUAL[:-1] * 1.05]
    early = np.r_[USUAL[1:] * 0.97, 9.0]
    exchanged = USUAL[[3, 1, 2, 0, 4, 5, 6]] * 1.02
    found = slips.rearranged_columns(np.stack([late, early, exchanged, USUAL]), USUAL)
    assert found.shift.tolist() == [1, -1, 0, 0]
    assert found.swapped.tolist() == [[-1, -1], [-1, -1], [0, 3], [-1, -1]]


def test_a_real_fault_is_no_rearrangement() -> None:
    fault = USUAL * [3, 6, 2, 15, 4, 1.1, 1.0]
    found = slips.rearranged_columns(fault, USUAL)
    assert int(found.shift) == 0
    assert found.swapped.tolist() == [-1, -1]
    assert not slips.lost_digit(fault, USUAL).any()


def test_too_few_gases_say_nothing() -> None:
    two = [10.0, np.nan, np.nan, 100.0]
    found = slips.rearranged_columns(two, [100.0, np.nan, np.nan, 10.0])
    assert int(found.shift) == 0
    assert found.swapped.tolist() == [-1, -1]


@pytest.mark.parametrize(
    ("before", "expected"),
    [
        ([5.0, 6.0, 7.0], True),
        ([5.0, 6.0, 7.1], False),
        ([5.0, 6.0, np.nan], False),
        ([np.nan, np.nan, np.nan], False),
    ],
)
def test_an_identical_report(before: list[float], expected: bool) -> None:
    assert bool(slips.identical_repeat([5.0, 6.0, 7.0], before)) is expected


def test_a_row_of_zeros_is_no_repeat() -> None:
    assert not slips.identical_repeat([0.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0])


def test_air_in_the_sample() -> None:
    """5 mL of air in 100 mL of oil takes 49 % of the hydrogen and lifts O2/N2 (computed, handbook)."""
    assert quality.air_exposure(
        [40, 90, 40, 40, np.nan], 100, [0.35, 0.35, 0.06, np.nan, 0.3], 0.05
    ).tolist() == [
        True,
        False,
        False,
        False,
        False,
    ]


def test_hydrogen_lost_while_methane_stayed() -> None:
    assert quality.gas_loss([40, 40, 95, 40], 100, [98, 45, 98, np.nan], 100).tolist() == [
        True,
        False,
        False,
        False,
    ]


def test_more_than_the_oil_can_hold() -> None:
    """The normal sample of IEEE C57.104-2019 E.1-1 (O2 13364, N2 108233) is within the margin."""
    assert air_saturation("o2") == pytest.approx(33_520)
    found = quality.oversaturated([13_364, 50_000, 0], [108_233, 60_000, 120_000], [50, 101, np.nan])
    assert found.tolist() == [[False, False, False], [True, False, True], [False, True, False]]
