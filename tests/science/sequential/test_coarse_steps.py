"""Coarse steps: what is seen before anything is learned."""

from collections.abc import Sequence

import numpy as np

from app.science.sequential.parameters import StepParameters
from app.science.sequential.steps import Steps, coarse_steps


def steps(
    values: list[float],
    limits: list[float] | None = None,
    detection: float = 1.0,
    reviewed: Sequence[int] = (),
) -> Steps:
    column = np.array(values)[:, None]
    other = np.full_like(column, np.nan) if limits is None else np.array(limits)[:, None]
    days = np.zeros(len(column), dtype=bool)
    days[list(reviewed)] = True
    return coarse_steps(column, other, np.array([detection]), days)


def test_the_constants_a_second_time() -> None:
    """Ours."""
    own = StepParameters.read()
    assert (own.factor, own.days, own.window, own.fewest) == (1.5, 3, 30, 10)
    assert (own.detection_limits, own.release_share, own.release_days) == (2.0, 0.5, 14)


def test_three_days_in_a_row_and_not_two() -> None:
    assert not steps([20.0] * 30 + [40.0, 40.0, 20.0, 40.0, 40.0]).alarm.any()
    found = steps([20.0] * 30 + [40.0] * 4)
    assert found.alarm[:, 0].tolist() == [False] * 32 + [True, True]
    assert found.since[-1, 0] == 30
    assert found.reference[-1, 0] == 20.0
    assert not steps([20.0] * 30 + [29.0] * 20).alarm.any()


def test_it_needs_days_before_and_lasts_until_two_weeks_are_back() -> None:
    assert not steps([20.0] * 6 + [60.0] * 8).alarm.any()
    back = steps([20.0] * 30 + [60.0] * 20 + [22.0] * 13 + [22.0, 22.0])
    assert back.alarm[62, 0]
    assert not back.alarm[63:, 0].any()
    held = steps([20.0] * 30 + [60.0] * 90)  # the level of the days before has come up to it; the step stands
    assert held.alarm[-1, 0]
    assert held.reference[-1, 0] == 20.0


def test_from_below_the_limit_of_detection() -> None:
    limits = [0.5] * 30 + [np.nan] * 5
    found = steps([np.nan] * 30 + [3.0] * 5, limits)
    assert found.alarm[-1, 0]
    assert found.reference[-1, 0] == 0.5
    # twice the usual detection limit is asked for: less is no step
    assert not steps([np.nan] * 30 + [1.9] * 5, limits).alarm.any()
    assert coarse_steps(
        np.zeros((0, 2)), np.zeros((0, 2)), np.ones(2), np.zeros(0, dtype=bool)
    ).alarm.shape == (0, 2)


def test_a_review_ends_a_step_and_the_level_is_the_new_one() -> None:
    found = steps([20.0] * 30 + [60.0] * 60, reviewed=[70])
    assert found.alarm[69, 0]
    assert not found.alarm[70:, 0].any()
