"""Huber's regression: plain least squares without wild values, a known minimum with them, and its own equations."""

import numpy as np
import pytest
from scipy import optimize

from app.science.sequential.huber import huber


def data(seed: int, wild: bool) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.c_[np.ones(80), rng.normal(size=(80, 2))]
    y = x @ [1.0, 0.5, -0.2] + rng.normal(0.0, 0.1, 80)
    if wild:
        y[::9] += 5.0
    return x, y


def test_with_a_wide_constant_it_is_least_squares() -> None:
    x, y = data(1, wild=False)
    found = huber(x, y, np.ones(80, dtype=bool), c=100.0)
    assert np.allclose(found.coefficients, np.linalg.lstsq(x, y, rcond=None)[0], rtol=1e-9)
    assert np.allclose(found.inverse, np.linalg.inv(x.T @ x), rtol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_it_is_the_minimum_of_hubers_loss_at_its_own_scale(seed: int) -> None:
    x, y = data(seed, wild=True)
    found = huber(x, y, np.ones(80, dtype=bool), c=1.345)
    edge = 1.345 * float(found.scale)

    def loss(b: np.ndarray) -> float:
        size = np.abs(y - x @ b)
        return float(np.where(size <= edge, size**2 / 2, edge * (size - edge / 2)).sum())

    best = optimize.minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-9}).x
    assert np.allclose(found.coefficients, best, atol=1e-4)
    assert np.allclose(found.coefficients, [1.0, 0.5, -0.2], atol=0.06)  # the wild ninth does not bend it
    assert not np.allclose(np.linalg.lstsq(x, y, rcond=None)[0], [1.0, 0.5, -0.2], atol=0.3)
    assert float(found.scale) == pytest.approx(
        1.4826 * np.median(np.abs(y - x @ found.coefficients)), rel=1e-3
    )


def test_a_batch_is_its_parts_and_rows_without_numbers_take_no_part() -> None:
    parts = [data(seed, wild=True) for seed in range(3)]
    use = np.ones((3, 80), dtype=bool)
    use[1, 40:] = False
    y = np.stack([p[1] for p in parts])
    y[2, :5] = np.nan
    found = huber(np.stack([p[0] for p in parts]), y, use, c=1.345)
    alone = huber(parts[1][0][:40], parts[1][1][:40], np.ones(40, dtype=bool), c=1.345)
    assert np.allclose(found.coefficients[1], alone.coefficients, rtol=1e-5)
    assert np.isnan(found.residuals[1, 40:]).all()
    assert np.isnan(found.residuals[2, :5]).all()
    assert np.isfinite(found.coefficients).all()


def test_a_regressor_that_stands_still_is_given_nothing_to_explain() -> None:
    x, y = data(2, wild=False)
    x[:, 2] = 0.0
    found = huber(x, y, np.ones(80, dtype=bool), c=1.345)
    assert found.coefficients[2] == pytest.approx(0.0, abs=1e-12)
    assert huber(x[:0], y[:0], np.ones(0, dtype=bool), c=1.345).coefficients.tolist() == [0.0, 0.0, 0.0]
