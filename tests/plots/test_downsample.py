"""Min/max thinning: the properties that make a thinned line look like the whole one."""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.plots.downsample import min_max


@dataclass(frozen=True)
class P:
    at: int
    value: float


finite = st.floats(-1e6, 1e6)


@given(st.lists(finite, max_size=400), st.integers(4, 60))
def test_keeps_ends_extremes_and_order(values: list[float], target: int) -> None:
    points = [P(i, v) for i, v in enumerate(values)]
    thinned = min_max(points, target)
    assert len(thinned) <= max(target, 0) or len(points) <= target
    assert [p.at for p in thinned] == sorted({p.at for p in thinned})
    assert set(thinned) <= set(points)
    if points:
        assert thinned[0] == points[0]
        assert thinned[-1] == points[-1]
        assert max(p.value for p in thinned) == max(values)
        assert min(p.value for p in thinned) == min(values)


def test_a_single_spike_survives() -> None:
    points = [P(i, 5.0) for i in range(50_000)]
    points[31_337] = P(31_337, 900.0)
    thinned = min_max(points)
    assert len(thinned) <= 1_000
    assert P(31_337, 900.0) in thinned


def test_a_target_below_four_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 4"):
        min_max([], 3)
