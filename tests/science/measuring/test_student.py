"""Our own Student's t against scipy's, which takes too long to import."""

import math

import numpy as np
import pytest
from scipy.special import ndtri, stdtr, stdtrit

from app.science.measuring.normal import quantile, upper_p
from app.science.measuring.student import two_sided_t_p, two_sided_t_quantile, upper_t_p

SCORES = np.r_[np.linspace(-12.0, 12.0, 481), 50.0, -50.0, 1e9]
FREEDOM = np.r_[np.arange(1, 40), 99, 240, 1000]


def test_tail_is_that_of_scipy() -> None:
    score, freedom = np.meshgrid(SCORES, FREEDOM)
    expected = stdtr(freedom.astype(np.float64), -score)
    np.testing.assert_allclose(upper_t_p(score, freedom), expected, rtol=0.0, atol=1e-14)


def test_quantile_is_that_of_scipy() -> None:
    for confidence in (0.5, 0.8, 0.95, 0.99, 0.999):
        expected = stdtrit(FREEDOM.astype(np.float64), 0.5 + confidence / 2.0)
        np.testing.assert_allclose(two_sided_t_quantile(confidence, FREEDOM), expected, rtol=1e-11)


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
    assert two_sided_t_quantile(0.5, 1) == pytest.approx(1.0, abs=1e-12)
    assert upper_t_p(1.0, 1) == pytest.approx(0.25, abs=1e-14)
    np.testing.assert_allclose(upper_t_p(SCORES, 20_000), upper_p(SCORES), atol=1e-5)


def test_normal_quantile_is_that_of_scipy() -> None:
    chance = np.r_[1e-15, np.linspace(0.001, 0.999, 99), 1.0 - 1e-12]
    np.testing.assert_allclose(quantile(chance), ndtri(chance), rtol=1e-12, atol=1e-14)
    assert quantile([0.0, 1.0]).tolist() == [-math.inf, math.inf]
    assert np.isnan(quantile([math.nan, -0.1, 1.1])).all()
