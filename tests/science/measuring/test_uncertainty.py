"""What a reported number may stand for, and how sure a zone is."""

import numpy as np
import pytest
from scipy import stats

from app.science.diagnosis.triangles import TRIANGLE_1_ZONES, duval_triangle_1
from app.science.measuring.uncertainty import (
    LABORATORY_RELATIVE_SD,
    detection_limit,
    draws,
    measurement_sd,
    parameter,
    zone_probabilities,
)
from app.science.tables import rows


def test_laboratory_accuracy_is_taken_as_two_standard_deviations() -> None:
    """IEEE C57.104-2019, 5.2.1: better than ±15 %."""
    assert LABORATORY_RELATIVE_SD == 0.075
    assert float(2 * measurement_sd(1000.0)) == pytest.approx(150.0)


def test_uncertainty_grows_towards_the_detection_limit() -> None:
    """Docstring figures: ±25 % (2 sd) at five times the limit, ±100 % at the limit."""
    limit = detection_limit("c2h2")
    assert limit == 1.0
    relative = 2 * measurement_sd([1.0, 5.0, 100.0], floor=0.5 * limit) / np.array([1.0, 5.0, 100.0])
    assert np.allclose(relative, [1.01, 0.25, 0.15], atol=0.005)
    assert (np.diff(relative) < 0).all()
    with pytest.raises(KeyError):
        detection_limit("water")


def test_draws_follow_the_distributions_named() -> None:
    values, below = np.array([100.0, 4.0, np.nan]), np.array([False, True, False])
    drawn = draws(values, below, 0.075, 0.5, 20_000, seed=3)
    assert drawn.shape == (20_000, 3)
    sd = float(measurement_sd(100.0, 0.075, 0.5))
    assert stats.kstest(drawn[:, 0], "norm", args=(100, sd)).pvalue > 0.01
    assert stats.kstest(drawn[:, 1], "uniform", args=(0, 4)).pvalue > 0.01
    assert np.isnan(drawn[:, 2]).all()
    assert (drawn[:, :2] >= 0).all()


def test_draws_do_not_depend_on_the_batch() -> None:
    values = np.array([[100.0, 20.0, 3.0], [7.0, 900.0, 0.0]])
    below = np.zeros((2, 3), dtype=bool)
    batch = draws(values, below, 0.075, 0.5, 50, seed=9)
    assert np.array_equal(batch[:, 1], draws(values[1], below[1], 0.075, 0.5, 50, seed=9))
    assert np.array_equal(batch, draws(values, below, 0.075, 0.5, 50, seed=9))
    assert not np.array_equal(batch, draws(values, below, 0.075, 0.5, 50, seed=10))
    with pytest.raises(ValueError, match="at least 1"):
        draws(values, below, 0.075, 0.5, 0, seed=9)


def test_each_source_may_have_its_own_accuracy() -> None:
    values = np.full((2, 3), 100.0)
    drawn = draws(values, False, np.array([[0.02], [0.2]]), 0.0, 4000, seed=1)
    assert np.allclose(drawn.std(axis=0), [[2.0] * 3, [20.0] * 3], rtol=0.05)


def test_a_zone_far_from_its_edges_is_sure_and_one_on_an_edge_is_not() -> None:
    """CH4 421, C2H4 695, C2H2 7 (IEEE C57.104-2019, E.1-2) against a composition on the edge of T2 and T3."""
    values = np.array([[421.0, 695.0, 7.0], [500.0, 500.0, 0.0], [np.nan, 1.0, 1.0]])
    drawn = draws(values, False, LABORATORY_RELATIVE_SD, 0.0, 4000, seed=5)
    share = zone_probabilities(duval_triangle_1, TRIANGLE_1_ZONES, drawn)
    assert share.shape == (3, 7)
    assert share[0, TRIANGLE_1_ZONES.index("T3")] > 0.999
    assert share[1, TRIANGLE_1_ZONES.index("T3")] == pytest.approx(0.5, abs=0.03)
    assert share[1, TRIANGLE_1_ZONES.index("T2")] == pytest.approx(0.5, abs=0.03)
    assert share[:2].sum(axis=1) == pytest.approx([1.0, 1.0])
    assert share[2].sum() == 0.0


def test_share_of_an_edge_agrees_with_the_normal_distribution() -> None:
    """C2H4 < C2H4 + CH4 halves where x > y for two independent normal values: a closed form to check against."""
    ch4, c2h4, relative = 520.0, 480.0, 0.05
    exact = stats.norm.cdf((c2h4 - ch4) / (relative * np.hypot(ch4, c2h4)))
    drawn = draws(np.array([ch4, c2h4, 0.0]), False, relative, 0.0, 20_000, seed=6)
    share = zone_probabilities(duval_triangle_1, TRIANGLE_1_ZONES, drawn)
    assert share[TRIANGLE_1_ZONES.index("T3")] == pytest.approx(exact, abs=0.012)


def test_the_numbers_of_ours_are_those_that_were_decided() -> None:
    """A second transcription of what docs/decisions/certainty.md says of tables/uncertainty.csv."""
    decided = {
        "laboratory_bias": 0.05,
        "scatter_prior": 4.0,
        "active_share": 0.15,
        "quiet_scale": 0.3,
        "active_scale": 2.0,
    }
    assert {name: parameter(name) for name in decided} == decided
    ours = [row for row in rows("uncertainty") if row["parameter"] in decided]
    assert all(row["provenance"] == "common practice" and row["note"].startswith("ours") for row in ours)
