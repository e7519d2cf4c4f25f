"""Kendall's S exactly: against a table worked out apart, every order by brute force, scipy, and another program's z."""

import csv
import math
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import kendalltau

from app.science.trends.kendall import Groups, rising_p

GOLDEN = Path(__file__).parents[1] / "golden" / "kendall.csv"


def groups_of(values: list[float]) -> tuple[int, ...]:
    return tuple(np.unique(values, return_counts=True)[1].tolist())


def s_of(values: np.ndarray) -> np.ndarray:
    """Of each row."""
    i, j = np.triu_indices(values.shape[1], 1)
    found: np.ndarray = np.sign(values[:, j] - values[:, i]).sum(axis=1)
    return found


@pytest.mark.parametrize(
    "row",
    list(csv.DictReader(GOLDEN.read_text().splitlines())),
    ids=lambda r: f"{r['n']}-{r['ties']}-{r['s']}",
)
def test_the_table_of_small_samples(row: dict[str, str]) -> None:
    ties = [int(t) for t in row["ties"].split()]
    sizes = (*ties, *(1 for _ in range(int(row["n"]) - sum(ties))))
    expected = pytest.approx(float(row["expected"]), abs=1.02 * float(row["tolerance"]))
    assert rising_p(float(row["s"]), (sizes,)) == expected


@pytest.mark.parametrize(
    "values", [[1, 2, 3, 4], [1, 1, 2, 3, 4, 5], [1, 1, 2, 2, 3, 3, 3], [0, 0, 0, 0, 1, 2, 3], [5, 5, 5, 5]]
)
def test_ties_agree_with_every_order_of_the_values_at_hand(values: list[float]) -> None:
    s = s_of(np.array(list(permutations(values))))
    for some in np.unique(s):
        assert rising_p(float(some), (groups_of(values),)) == pytest.approx((s >= some).mean(), abs=1e-12)


def test_two_laboratories_agree_with_every_order_within_each() -> None:
    first, second = [1.0, 2.0, 2.0, 4.0], [7.0, 8.0, 9.0]
    s = np.array(
        [
            a + b
            for a, b in product(
                s_of(np.array(list(permutations(first)))), s_of(np.array(list(permutations(second))))
            )
        ]
    )
    for some in np.unique(s):
        found = rising_p(float(some), (groups_of(first), groups_of(second)))
        assert found == pytest.approx((s >= some).mean(), abs=1e-12)


@pytest.mark.parametrize("n", [5, 8, 12, 20, 30])
def test_without_ties_it_is_that_of_scipy(n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(5):
        values = rng.normal(np.arange(n) * 0.1, 1.0)
        expected = kendalltau(np.arange(n), values, alternative="greater", method="exact").pvalue
        assert rising_p(float(s_of(values[None])[0]), ((1,) * n,)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "s", "z"),
    [
        # pymannkendall 1.4.3, original_test
        ([(7 * i * i + 3 * i) % 23 + i // 4 for i in range(40)], 217.0, 2.5207902048587805),
        ([(5 * i) % 11 for i in range(36)], -12.0, None),
    ],
)
def test_beyond_thirty_points_it_is_the_normal_score_of_another_program(
    values: list[float], s: float, z: float | None
) -> None:
    assert s_of(np.array([values], dtype=float))[0] == s
    found = rising_p(s, (groups_of(values),))
    if (
        z is None
    ):  # that program corrects a falling S upwards; P(S >= s) wants it downwards: var 5334.667 is its own
        z = (s - 1.0) / math.sqrt(5334.666666666667)
    assert found == pytest.approx(0.5 * math.erfc(z / math.sqrt(2.0)), rel=1e-9)


def test_the_exact_probability_and_the_approximation_meet_at_thirty_points() -> None:
    exact: Groups = ((1,) * 30,)
    more: Groups = ((1,) * 31,)
    for share in (0.1, 0.2, 0.3):
        s30, s31 = (2 * round(share * n * (n - 1) / 4) + (n * (n - 1) // 2) % 2 for n in (30, 31))
        assert rising_p(s31, more) == pytest.approx(rising_p(s30, exact), rel=0.3)


def test_all_equal_says_nothing() -> None:
    assert rising_p(0.0, ((6,),)) == 1.0
    assert rising_p(0.0, ((40,),)) == 1.0
    assert rising_p(99.0, ((1, 1, 1),)) == 0.0
