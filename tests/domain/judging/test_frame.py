"""Samples as columns, and the daily medians of on-line readings; numpy's median is the reference."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from engine_cast import QUIET, START, frame, join

from app.domain.judging.engine import assess
from app.domain.judging.frame import SampleFrame, daily_medians, frame_of, to_days
from app.science.quantities import INDEX, NAMES


def readings(days: int, a_day: int, seed: int = 1) -> SampleFrame:
    rng = np.random.default_rng(seed)
    samples = [
        (day + i / a_day, QUIET | {"h2": float(rng.uniform(5, 50)), "c2h4": float(rng.uniform(5, 50))})
        for day in range(days)
        for i in range(a_day)
    ]
    return frame(samples, age=20.0, online=True)


@pytest.mark.parametrize("a_day", [1, 2, 5, 6])
def test_daily_medians_are_those_of_numpy(a_day: int) -> None:
    found = readings(10, a_day)
    medians = daily_medians(found)
    assert medians.day.tolist() == [to_days(START) + d for d in range(10)]
    for name in ("h2", "c2h4", "co"):
        expected = np.median(found.column(name).reshape(10, a_day), axis=1)
        np.testing.assert_allclose(medians.values[:, INDEX[name]], expected)
    assert np.isnan(medians.values[:, INDEX["c3h8"]]).all(), "never measured"


def test_a_median_on_a_detection_limit_is_no_point_of_a_trend() -> None:
    day = [(i / 5.0, {"c2h2": "<0.5"}) for i in range(3)]
    seen = [(i / 5.0, {"c2h2": "2.0"}) for i in (3, 4)]
    assert np.isnan(daily_medians(frame([*day, *seen], online=True)).values[0, INDEX["c2h2"]])
    more = [(i / 5.0, {"c2h2": "2.0"}) for i in (2, 3, 4)]
    assert daily_medians(frame([*day[:2], *more], online=True)).values[0, INDEX["c2h2"]] == 2.0


def test_laboratory_samples_have_no_daily_medians() -> None:
    assert len(daily_medians(frame([(0.0, QUIET), (1.0, QUIET)])).day) == 0


def test_series_keep_their_own_days() -> None:
    both = join([readings(3, 4), replace(readings(3, 4, seed=2), series=np.full(12, 5))])
    medians = daily_medians(both)
    assert medians.series.tolist() == [0, 0, 0, 5, 5, 5]


def test_medians_kept_elsewhere_judge_as_those_of_the_frame() -> None:
    """The store keeps daily medians, so that a new reading needs few raw ones."""
    whole = readings(300, 6)
    medians = daily_medians(whole)
    last = np.arange(len(whole) - 24, len(whole))
    part = assess(whole.take(last), medians)
    full = assess(whole)
    for name in ("reference", "delta", "rate", "rate_span"):
        np.testing.assert_allclose(getattr(part.changes, name), getattr(full.changes, name)[last], rtol=1e-9)
    for name in ("status", "delta_exceeds", "rate_exceeds"):
        np.testing.assert_array_equal(getattr(part.changes, name), getattr(full.changes, name)[last])


def test_since_finds_the_first_sample_of_the_series_within_so_many_days() -> None:
    found = join(
        [
            frame([(float(d), QUIET) for d in (0, 10, 20)]),
            frame([(float(d), QUIET) for d in (0, 5, 30)], series=1),
        ]
    )
    assert [found.since(2, days) for days in (0.0, 9.0, 10.0, 1000.0)] == [2, 2, 1, 0]
    assert [found.since(5, days) for days in (1.0, 25.0, 1000.0)] == [5, 4, 3]


def test_samples_out_of_order_are_refused() -> None:
    two = frame([(0.0, QUIET), (1.0, QUIET)])
    with pytest.raises(ValueError, match="sorted by series and then by time"):
        replace(two, at=two.at[::-1])
    with pytest.raises(ValueError, match="sorted by series and then by time"):
        replace(two, series=np.array([1, 0]))


def test_columns_of_another_number_are_refused() -> None:
    with pytest.raises(ValueError, match=rf"must have the shape \(1, {len(NAMES)}\)"):
        SampleFrame(
            np.zeros(1, np.int64),
            np.zeros(1),
            np.zeros((1, 3)),
            np.zeros((1, 3), np.bool_),
            np.zeros(1),
            np.zeros(1, np.bool_),
            np.zeros(1),
        )


def test_a_frame_from_lists_keeps_what_was_not_measured() -> None:
    found = frame_of([0], [START + timedelta(days=1)], [[1.0, *[None] * (len(NAMES) - 1)]])
    assert found.column("h2").tolist() == [1.0]
    assert np.isnan(found.values[0, 1:]).all()
    assert found.at.tolist() == [to_days(START) + 1.0]


def test_a_column_left_out_is_the_ordinary_case_and_one_of_another_length_is_refused() -> None:
    samples = frame_of([0, 0], [START] * 2, [[None] * len(NAMES)] * 2)
    assert samples.laboratory.tolist() == [0, 0]
    assert not samples.tripped.any()
    with pytest.raises(ValueError, match="tripped must have 2 rows, not 1"):
        replace(samples, tripped=np.array([True]))
