"""How often chance alone makes the course believe something, over many flat units; and that a true step is believed."""

from dataclasses import replace

import numpy as np
import pytest
from course_simulation import THREE, World, told

from app.domain.judging.course.states import STATES, State
from app.domain.judging.engine import assess
from app.science.quantities import INDEX

UNITS = 200
ALLOWED = 0.05


@pytest.mark.parametrize(
    "world", [World("", 2, 0.4, acetylene=0.6), World("", 2, 1.0), World("", 2, 1.3), World("", 1, 1.3)]
)
def test_few_flat_units_are_told_as_active_or_grave_within_ten_years(world: World) -> None:
    found = told(world, UNITS, np.random.default_rng(11))
    assert np.mean(~np.isnan(found.active)) <= ALLOWED
    assert np.mean(~np.isnan(found.grave)) <= ALLOWED


def test_a_step_of_half_is_confirmed_by_the_sample_after_it() -> None:
    """Three gases at 1.3 times Table 1, with noise: in nine of ten units at once, in all two samples later."""
    world = World("step", 2, level=1.3)
    flat = world.frame(100, np.random.default_rng(12))
    values = flat.values.copy().reshape(100, world.samples, -1)
    step = world.samples // 2
    for gas in THREE:
        values[:, step:, INDEX[gas]] *= 1.5
    judged = assess(replace(flat, values=values.reshape(flat.values.shape)))
    confirmed = (judged.courses.state == STATES.index(State.CONFIRMED)).reshape(100, -1)
    assert confirmed[:, step + 1].mean() >= 0.9
    assert confirmed[:, step : step + 4].any(axis=1).all()
