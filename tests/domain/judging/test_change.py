"""Deltas, rates, confirmation and status, against the guide's worked series and its status logic.

Sources: IEEE C57.104-2019 clause 6.1 and Annex B.1 (printed deltas, rates and spans).
"""

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from fleet_cast import quiet

from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import SampleFrame, frame_of
from app.domain.judging.report import report
from app.science.quantities import INDEX, NAMES, NORM_GASES

GOLDEN = Path(__file__).parents[1] / "golden"
START = datetime(2015, 1, 1, tzinfo=UTC)
QUIET = quiet("c2h2", o2=1000.0)


def row(**numbers: float) -> list[float | None]:
    return [numbers.get(name) for name in NAMES]


def laboratory(
    samples: list[tuple[float, dict[str, float]]], *, age: float | None = 5.0, below: tuple[str, ...] = ()
) -> Judgement:
    """One laboratory series of (day, readings)."""
    flags = [[name in below for name in NAMES] for _ in samples]
    frame = frame_of(
        [0] * len(samples),
        [START + timedelta(days=day) for day, _ in samples],
        [row(**readings) for _, readings in samples],
        flags,
        age=age,
    )
    return assess(frame)


def b1() -> list[dict[str, str]]:
    with (GOLDEN / "ieee_c57_104_2019_b1.csv").open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def b1_judgement() -> Judgement:
    """B.1 as printed: ethylene alone, O2/N2 below 0.2; the norms it names are those of unknown age."""
    samples = [(float(r["day"]), {"c2h4": float(r["c2h4"]), "o2": 1.0, "n2": 100.0}) for r in b1()]
    return laboratory(samples, age=None)


@pytest.mark.parametrize("number", range(18))
def test_series_b1_reproduces_every_printed_figure(b1_judgement: Judgement, number: int) -> None:
    printed, c2h4 = b1()[number], NORM_GASES.index("c2h4")
    changes, tolerance = b1_judgement.changes, float(printed["tolerance"])
    if printed["delta"]:
        assert changes.delta[number, c2h4] == pytest.approx(float(printed["delta"]), abs=1e-9)
    else:
        assert np.isnan(changes.delta[number, c2h4])
    if printed["rate"]:
        assert changes.rate[number, c2h4] == pytest.approx(float(printed["rate"]), abs=tolerance)
        assert changes.rate_span[number, c2h4] == pytest.approx(float(printed["span"]), abs=1e-9)
    else:
        assert np.isnan(changes.rate[number, c2h4])
    status = f"{changes.status[number]}, confirm" if changes.suspect[number] else str(changes.status[number])
    assert status == printed["status"]


def test_series_b1_drops_the_refuted_point_and_only_that(b1_judgement: Judgement) -> None:
    assert np.flatnonzero(b1_judgement.changes.dropped).tolist() == [9]
    assert np.flatnonzero(b1_judgement.changes.refuted).tolist() == [10]


def test_every_golden_row_names_its_source() -> None:
    assert all(r["source"] and r["clause"] and r["tolerance"] for r in b1())


def test_first_sample_is_judged_by_its_levels_alone() -> None:
    low = laboratory([(0, QUIET)])
    between = laboratory([(0, QUIET | {"c2h4": 30.0})])
    high = laboratory([(0, QUIET | {"c2h4": 41.0})])
    assert [int(j.changes.status[0]) for j in (low, between, high)] == [1, 2, 3]
    assert not any(j.changes.suspect[0] for j in (low, between, high))


def test_a_value_equal_to_a_norm_is_not_above_it() -> None:
    assert laboratory([(0, QUIET | {"c2h4": 20.0})]).changes.status[0] == 1
    assert laboratory([(0, QUIET | {"c2h4": 40.0})]).changes.status[0] == 2


def test_confirmed_change_below_table_1_is_status_2() -> None:
    judgement = laboratory(
        [(0, QUIET), (365, QUIET | {"h2": 60.0}), (385, QUIET | {"h2": 61.0}), (700, QUIET | {"h2": 60.5})],
        age=5.0,
    )
    changes = judgement.changes
    assert changes.suspect.tolist() == [False, True, False, False]
    assert changes.confirmed.tolist() == [False, False, True, False]
    assert changes.delta[2, 0] == pytest.approx(51.0), "the reference is the sample before the suspect one"
    assert changes.status[2] == 3 or changes.status[2] == 2
    assert changes.dropped.sum() == 0


def test_unconfirmed_change_is_status_1_and_leaves_no_trace() -> None:
    changes = laboratory([(0, QUIET), (180, QUIET | {"h2": 60.0}), (200, QUIET), (390, QUIET)]).changes
    assert changes.suspect.tolist() == [False, True, False, False]
    assert changes.status.tolist()[2:] == [1, 1]
    assert changes.dropped.tolist() == [False, True, False, False]
    assert changes.rate[3, 0] == pytest.approx(0.0), "the refuted point takes no part in the rate"


def test_a_rise_does_not_confirm_a_fall() -> None:
    """A low sample between two good ones, the second of which is above the norm against the first."""
    quiet = QUIET | {"h2": 60.0, "ch4": 60.0, "c2h6": 60.0, "c2h4": 40.0}
    low = {gas: quiet[gas] * left for gas, left in (("h2", 0.4), ("ch4", 0.6), ("c2h6", 0.6), ("c2h4", 0.6))}
    changes = laboratory([(0, quiet), (180, quiet | low), (200, quiet | {"c2h6": 90.0})], age=20.0).changes
    assert changes.fell[1].any()
    assert changes.dropped.tolist() == [False, True, False]
    assert changes.suspect.tolist() == [False, True, True], "the rise is a change of its own"


def test_a_fall_is_doubted_while_gassing_is_known_too() -> None:
    samples = [(120.0 * i, QUIET | {"c2h4": 30.0 + 25.0 * i, "h2": 60.0}) for i in range(5)]
    low = (540.0, QUIET | {"c2h4": 60.0, "h2": 20.0, "ch4": 2.0})
    rest = [(600.0, QUIET | {"c2h4": 155.0, "h2": 60.0})]
    changes = laboratory([*samples, low, *rest], age=20.0).changes
    assert changes.suspect.tolist() == [False, True, False, False, False, True, False]
    assert changes.dropped.tolist() == [False, False, False, False, False, True, False]
    assert changes.delta[-1, NORM_GASES.index("c2h4")] == pytest.approx(155.0 - 130.0)


def test_steady_growth_is_suspected_once_then_believed() -> None:
    samples = [(120.0 * i, QUIET | {"c2h4": 3.0 + 5.0 * i}) for i in range(6)]
    changes = laboratory(samples, age=20.0).changes
    assert changes.suspect.sum() == 1
    assert changes.confirmed.sum() == 1
    assert changes.status[-1] == 3
    assert changes.rate[-1, NORM_GASES.index("c2h4")] == pytest.approx(5.0 / 120.0 * 365.0)


def test_no_rate_without_three_points_in_four_to_twenty_four_months() -> None:
    short = laboratory([(0, QUIET), (30, QUIET), (60, QUIET)])
    sparse = laboratory([(0, QUIET), (365, QUIET), (1100, QUIET)])
    assert np.isnan(short.changes.rate).all()
    assert np.isnan(sparse.changes.rate).all()


def test_acetylene_from_nothing_asks_for_confirmation() -> None:
    changes = laboratory([(0, QUIET | {"c2h2": 0.0}), (300, QUIET | {"c2h2": 0.8})]).changes
    assert changes.suspect.tolist() == [False, True]


def test_acetylene_that_differs_by_less_than_can_be_measured_is_no_increase() -> None:
    changes = laboratory([(0, QUIET | {"c2h2": 80.0}), (300, QUIET | {"c2h2": 84.0})]).changes
    assert not changes.delta_exceeds.any()


def test_below_the_limit_is_never_zero() -> None:
    frame = frame_of(
        [0, 0],
        [START, START + timedelta(days=200)],
        [row(**QUIET, c2h2=5.0), row(**QUIET, c2h2=6.0)],
        [[n == "c2h2" for n in NAMES], [False] * len(NAMES)],
    )
    assert assess(frame).changes.delta[1, 4] == pytest.approx(1.0), 'from "<5" to 6 only 1 is certain'


def test_oxygen_ratio_missing_uses_the_high_side_and_says_so() -> None:
    readings = {k: v for k, v in QUIET.items() if k not in {"o2", "n2"}}
    judgement = laboratory([(0, readings | {"h2": 45.0})])
    assert judgement.changes.status[0] == 2
    assert "O₂/N₂ unknown" in " ".join(report(judgement, 0).status_reasons)


def test_oxygen_ratio_that_hovers_and_flips_uses_the_high_side() -> None:
    samples = [(200.0 * i, QUIET | {"o2": o2}) for i, o2 in enumerate((9000.0, 10500.0, 9500.0))]
    assert laboratory(samples).levels.side.tolist() == [0, 1, 1]


def test_nothing_measured_is_no_status() -> None:
    judgement = laboratory([(0, {"water": 10.0})])
    assert report(judgement, 0).status is None
    assert report(judgement, 0).status_reasons


def test_many_series_at_once_give_what_each_gives_alone() -> None:
    rng = np.random.default_rng(7)
    alone, frames = [], []
    for series in range(40):
        days = np.sort(rng.choice(2000, size=int(rng.integers(1, 15)), replace=False))
        level = rng.uniform(5, 60)
        samples = [(float(d), QUIET | {"c2h4": float(level * rng.uniform(0.5, 1.8))}) for d in days]
        judgement = laboratory(samples, age=20.0)
        alone.append(judgement)
        frames.append((series, judgement.frame))
    together = assess(
        SampleFrame(
            series=np.concatenate([np.full(len(f), s) for s, f in frames]),
            at=np.concatenate([f.at for _, f in frames]),
            values=np.concatenate([f.values for _, f in frames]),
            below=np.concatenate([f.below for _, f in frames]),
            age=np.concatenate([f.age for _, f in frames]),
            online=np.concatenate([f.online for _, f in frames]),
            oxygen_ratio=np.concatenate([f.oxygen_ratio for _, f in frames]),
        )
    )
    for name in ("delta", "rate", "status", "suspect", "confirmed", "refuted", "dropped"):
        expected = np.concatenate([getattr(j.changes, name) for j in alone])
        np.testing.assert_array_equal(getattr(together.changes, name), expected, err_msg=name)


# --- on-line ----------------------------------------------------------------------------------------------


def online(hours: np.ndarray, **columns: np.ndarray) -> SampleFrame:
    """One on-line series; gases not given are steady."""
    values = np.full((len(hours), len(NAMES)), np.nan)
    for name, number in QUIET.items():
        values[:, INDEX[name]] = number
    for name, column in columns.items():
        values[:, INDEX[name]] = column
    return SampleFrame(
        series=np.zeros(len(hours), dtype=np.int64),
        at=16_500.0 + hours / 24.0,
        values=values,
        below=np.zeros(values.shape, dtype=np.bool_),
        age=np.full(len(hours), 20.0),
        online=np.ones(len(hours), dtype=np.bool_),
        oxygen_ratio=np.full(len(hours), np.nan),
    )


def test_a_noisy_steady_monitor_shows_no_change() -> None:
    rng = np.random.default_rng(11)
    hours = np.arange(0, 365 * 24, 4.0)
    noisy = {g: QUIET[g] * (1 + 0.05 * rng.standard_normal(len(hours))) for g in ("h2", "ch4", "c2h4", "co")}
    changes = assess(online(hours, **noisy)).changes
    assert not changes.delta_exceeds.any()
    assert not changes.rate_exceeds.any()
    assert (changes.status == 1).all()


def test_a_slow_rise_on_line_is_found_by_its_rate_and_confirmed_a_day_later() -> None:
    hours = np.arange(0, 365 * 24, 4.0)
    rise = 3.0 + 12.0 * hours / (365 * 24)
    changes = assess(online(hours, c2h4=rise)).changes
    found = np.flatnonzero(changes.rate_exceeds[:, NORM_GASES.index("c2h4")])
    assert found.size
    assert changes.rate[found[0], 3] == pytest.approx(12.0, rel=0.02)
    assert changes.suspect[found[0]]
    assert not changes.suspect[found[0] + 6 :].any(), "six 4-hourly readings later it is confirmed"


def test_an_on_line_judgement_does_not_depend_on_what_comes_later() -> None:
    rng = np.random.default_rng(3)
    hours = np.arange(0, 300 * 24, 6.0)
    c2h4 = 10.0 + np.cumsum(rng.normal(0.01, 0.2, len(hours)))
    whole = assess(online(hours, c2h4=c2h4)).changes
    part = assess(online(hours[:1000], c2h4=c2h4[:1000])).changes
    for name in ("delta", "rate", "status", "suspect"):
        np.testing.assert_allclose(getattr(whole, name)[:1000], getattr(part, name), rtol=1e-9, err_msg=name)
