"""A small run of the simulation whose figures stand in docs/decisions/trend.md."""

import numpy as np
import pytest
from trend_simulation import World, first_calls

from app.science.quantities import FAULT_GASES


@pytest.mark.parametrize(("a_year", "units"), [(1, 1500), (2, 1500), (12, 40)])
def test_flat_units_are_called_rising_in_at_most_one_of_twenty_decades(a_year: int, units: int) -> None:
    """At a true 5 %, more than this many of them would be called once in a thousand runs (binomial)."""
    called = int(np.isfinite(first_calls(World(a_year), units)).sum())
    assert called <= {1500: 103, 40: 8}[units]


@pytest.mark.parametrize(
    ("a_year", "gases", "rate", "years", "least"),
    [
        (2, 5, 0.05, 10.0, 0.97),
        (2, 5, 0.10, 5.0, 0.90),
        (2, 3, 0.10, 10.0, 0.97),
        (2, 1, 0.20, 10.0, 0.97),
        (1, 5, 0.10, 10.0, 0.97),
        (1, 3, 0.20, 10.0, 0.97),
        (12, 3, 0.10, 5.0, 0.80),
    ],
)
def test_rising_units_are_called_in_time(
    a_year: int, gases: int, rate: float, years: float, least: float
) -> None:
    units = 10 if a_year == 12 else 200
    found = first_calls(World(a_year, rise=dict.fromkeys(FAULT_GASES[:gases], rate)), units, seed=2)
    assert (found <= years).mean() >= least


def test_a_named_change_of_laboratory_is_no_rise() -> None:
    """A lasting step of 5 % shared and 5 % a gas: unnamed it is called in one of eight half-yearly units."""
    named = first_calls(World(2, step=0.05, named=True), 600, seed=3)
    assert np.isfinite(named).mean() <= 0.05
