"""A small seeded part of the figures of docs/decisions/online-change.md."""

from dataclasses import replace

import numpy as np
from online_table import delays, false_calls, months_called_falsely
from online_worlds import WORLD_A, WORLD_B


def test_a_unit_at_rest_is_called_less_than_once_in_five_unit_years() -> None:
    """24 unit-years after the first, in the milder world and in the one with the wide swing."""
    for world in (WORLD_A, WORLD_B):
        assert false_calls(replace(world, gases=6), 12)[1] <= 0.2


def test_months_at_rest_are_not_called_rising() -> None:
    assert months_called_falsely(replace(WORLD_A, gases=6), 4, known=True) == 0.0


def test_one_percent_a_day_is_found_in_two_weeks_and_long_before_the_tables() -> None:
    new, old = delays(replace(WORLD_A, gases=6), 12, 365, 0.01, 3)
    assert np.quantile(new, 0.5) <= 16
    assert np.isfinite(new).mean() >= 0.9
    assert np.nanmedian(old) > np.quantile(new, 0.5)
