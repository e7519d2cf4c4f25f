"""Student's t and the normal distribution against printed tables and closed forms.

Quantiles: Abramowitz and Stegun, Handbook of Mathematical Functions, Table 26.10 (from memory).
"""

import math

import numpy as np
import pytest
from scipy.special import ndtri

from app.science.measuring.normal import quantile, upper_p
from app.science.measuring.student import two_sided_t_p, two_sided_t_quantile, upper_t_p


@pytest.mark.parametrize(
    ("confidence", "freedom", "t"),
    [
        (0.95, 1, 12.706),
        (0.95, 2, 4.303),
        (0.95, 5, 2.571),
        (0.95, 10, 2.228),
        (0.99, 5, 4.032),
        (0.8, 4, 1.533),
    ],
)
def test_quantiles_are_those_of_the_table(confidence: float, freedom: int, t: float) -> None:
    assert two_sided_t_quantile(confidence, freedom) == pytest.approx(t, abs=5e-4)
    assert two_sided_t_p(t, freedom) == pytest.approx(1.0 - confidence, abs=2e-4)
    assert upper_t_p(t, freedom) == pytest.approx((1.0 - confidence) / 2.0, abs=1e-4)


def test_shape_is_kept() -> None:
    assert two_sided_t_quantile(0.9, np.array([[3, 5], [5, 3]])).shape == (2, 2)
    assert two_sided_t_p(np.zeros((0,)), np.zeros((0,), dtype=np.int64)).shape == (0,)
    assert two_sided_t_p(1.0, 5).shape == ()


def test_ends_and_what_is_not_known() -> None:
    assert two_sided_t_p([0.0, math.inf, -math.inf], 5).tolist() == [1.0, 0.0, 0.0]
    assert np.isnan(two_sided_t_p(math.nan, 5))
    assert upper_t_p(-math.inf, 3) == 1.0
    with pytest.raises(ValueError, match="confidence"):
        two_sided_t_quantile(1.0, 5)


def test_one_freedom_is_cauchy_and_many_are_normal() -> None:
    scores = np.linspace(-8.0, 8.0, 161)
    np.testing.assert_allclose(upper_t_p(scores, 1), 0.5 - np.arctan(scores) / math.pi, atol=1e-14)
    np.testing.assert_allclose(upper_t_p(scores, 20_000), upper_p(scores), atol=1e-5)


def test_normal_quantile_is_that_of_scipy() -> None:
    chance = np.r_[1e-15, np.linspace(0.001, 0.999, 99), 1.0 - 1e-12]
    np.testing.assert_allclose(quantile(chance), ndtri(chance), rtol=1e-12, atol=1e-14)
    assert quantile([0.0, 1.0]).tolist() == [-math.inf, math.inf]
    assert np.isnan(quantile([math.nan, -0.1, 1.1])).all()
