"""Is the unit called rising: sample by sample, dangerous courses and their harmless twins."""

import time
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from engine_cast import QUIET, Samples, frame, join

from app.domain.judging.engine import assess
from app.domain.judging.frame import SampleFrame
from app.domain.judging.rules.trend_calls import TrendCalls
from app.science.quantities import FAULT_GASES, NORM_GASES
from app.science.tables import rows

LEVELS = {"h2": 20.0, "ch4": 15.0, "c2h6": 15.0, "c2h4": 10.0, "c2h2": 2.0, "co": 300.0, "co2": 2500.0}


def unit(
    rng: np.random.Generator,
    years: float,
    a_year: int,
    rise: Mapping[str, float],
    *,
    white: float = 0.075,
    shared: float = 0.05,
    series: int = 0,
) -> SampleFrame:
    """Straight rises in shares of the first level a year, with a bottle's and a laboratory's noise."""
    samples = []
    for i in range(int(years * a_year) + 1):
        bias = float(np.exp(rng.normal(0.0, shared)))
        samples.append(
            (
                365.25 * i / a_year,
                {
                    gas: level
                    * (1.0 + rise.get(gas, 0.0) * i / a_year)
                    * bias
                    * np.exp(rng.normal(0.0, white))
                    for gas, level in LEVELS.items()
                },
            )
        )
    return frame(samples, age=20.0, series=series)


def calls(one: SampleFrame) -> TrendCalls:
    return assess(one).trend_calls


def test_the_levels_are_those_simulated() -> None:
    """A second transcription: a = 0.063 L^-0.74 and, for one gas of five, 0.023 L^-0.94."""
    found = {r["test"]: (r["scale"], r["exponent"], r["provenance"]) for r in rows("trend_call")}
    assert found == {
        "joint": ("0.063", "-0.74", "common practice"),
        "gas": ("0.023", "-0.94", "common practice"),
    }


@pytest.mark.parametrize("rate", [0.05, 0.10])
def test_a_half_yearly_unit_that_rises_for_ten_years_is_called(rate: float) -> None:
    for seed in range(8):
        found = calls(unit(np.random.default_rng(seed), 10.0, 2, dict.fromkeys(FAULT_GASES, rate)))
        assert found.called_joint[-1]
        first = int(found.called_joint.argmax())
        assert 5 <= first <= (16 if rate == 0.05 else 11), (
            "not before the sixth sample; half are called by 5 and 3.5 years"
        )


def test_its_flat_noisy_twin_is_not() -> None:
    """4.3 of a hundred unit-decades are called by chance; of these 60 more than 7 would be once in a thousand."""
    flat = join([unit(np.random.default_rng(50 + seed), 10.0, 2, {}, series=seed) for seed in range(60)])
    found = calls(flat)
    assert found.any_called().reshape(60, 21).any(axis=1).sum() <= 7


def test_one_gas_alone_is_called_by_name() -> None:
    found = calls(unit(np.random.default_rng(3), 10.0, 2, {"c2h4": 0.2}))
    named = [gas for gas, said in zip(NORM_GASES, found.called[-1], strict=True) if said]
    assert named == ["c2h4"]


def test_one_look_is_no_call() -> None:
    """The first sample of a call already had so small a probability at the one before it."""
    found = calls(unit(np.random.default_rng(1), 10.0, 2, dict.fromkeys(FAULT_GASES, 0.1)))
    first = int(found.called_joint.argmax())
    level = 0.063 * 18.0**-0.74
    assert max(found.joint_p[first - 1], found.joint_p[first]) <= level
    assert np.isnan(found.joint_p[:3]).all()


def test_what_follows_changes_nothing() -> None:
    whole = unit(np.random.default_rng(7), 8.0, 2, {"ch4": 0.15, "c2h4": 0.15})
    full = calls(whole)
    for end in (4, 9, 13):
        part = calls(whole.take(np.arange(end)))
        for name in ("joint_p", "gas_p", "called_joint", "called", "since"):
            assert np.allclose(getattr(part, name), getattr(full, name)[:end], rtol=1e-9, equal_nan=True), (
                name
            )


def test_a_series_is_judged_the_same_alone_and_among_others() -> None:
    some = [unit(np.random.default_rng(seed), 3.0 + seed, 2, {"ch4": 0.2}, series=seed) for seed in range(4)]
    together = calls(join(some))
    alone = np.concatenate([calls(one).joint_p for one in some])
    assert together.joint_p == pytest.approx(alone, nan_ok=True)


def test_another_laboratory_that_reads_higher_is_no_rise() -> None:
    """A lasting step of 25 % where the laboratory changes; unnamed, the same record is called."""
    one = unit(np.random.default_rng(4), 10.0, 2, {})
    later = np.arange(21) >= 10
    stepped = replace(one, values=np.where(later[:, None], 1.25 * one.values, one.values))
    assert calls(stepped).called_joint[-1]
    named = replace(stepped, laboratory=later.astype(np.int64))
    assert not calls(named).any_called().any()


def test_a_rise_seen_by_two_laboratories_is_called_still() -> None:
    one = unit(np.random.default_rng(4), 10.0, 2, dict.fromkeys(FAULT_GASES, 0.1))
    named = replace(one, laboratory=(np.arange(21) >= 10).astype(np.int64))
    assert calls(named).called_joint[-1]


def test_the_stretch_begins_where_the_rise_does_and_ends_where_it_ends() -> None:
    """Five flat years, five of rising, five flat: each found within a year."""
    rng = np.random.default_rng(11)
    samples = [
        (
            182.6 * i,
            {
                gas: level * (1.0 + 0.4 * min(max(i - 10, 0), 10) / 2.0) * np.exp(rng.normal(0.0, 0.05))
                for gas, level in LEVELS.items()
            },
        )
        for i in range(31)
    ]
    found = calls(frame(samples, age=20.0))
    start = frame(samples[:1]).at[0]
    years = (found.since - start) / 365.25
    assert found.called_joint[20]
    assert years[20] == pytest.approx(5.0, abs=1.0)
    assert np.isnan(found.flat_since[20])
    assert found.called_joint[30], "the whole record rose"
    assert (found.flat_since[30] - start) / 365.25 == pytest.approx(10.0, abs=1.5)
    assert years[30] == pytest.approx(5.0, abs=1.5)


def test_a_climb_within_the_accuracy_is_not_called() -> None:
    """Every sample higher than the one before, 12 % in all: within ±15 % (IEEE C57.104-2019, 5.2.1)."""
    samples = [(180.0 * i, QUIET | {"c2h4": 40.0 + 0.5 * i}) for i in range(10)]
    found = calls(frame(samples, age=20.0))
    assert found.gas_p[-1, NORM_GASES.index("c2h4")] < 1e-5
    assert not found.any_called().any()


def test_readings_below_their_limit_take_part_without_being_made_up() -> None:
    """From "<1" to 1, 2, 3 acetylene certainly rises; a change of the limit alone is no rise."""
    rising: Samples = [(180.0 * i, QUIET | {"c2h2": "<1" if i < 5 else float(i - 3)}) for i in range(12)]
    g = NORM_GASES.index("c2h2")
    assert calls(frame(rising)).called[-1, g]
    limits: Samples = [(180.0 * i, QUIET | {"c2h2": "<0.5" if i < 6 else "<2"}) for i in range(12)]
    found = calls(frame(limits))
    assert found.gas_p[-1, g] == 1.0
    assert not found.any_called().any()


def test_a_refuted_sample_and_one_without_gas_are_no_looks() -> None:
    samples: Samples = [(180.0 * i, QUIET | {"c2h4": 10.0 + 4.0 * i}) for i in range(9)]
    samples = [*samples, (1500.0, {"water": 12.0})]
    found = calls(frame(samples, age=20.0))
    assert found.joint_p[-1] == found.joint_p[-2]
    assert np.array_equal(found.called[-1], found.called[-2])


def test_on_line_rows_are_left_to_their_own_watch() -> None:
    found = assess(frame([(float(d), QUIET) for d in range(40)], online=True)).trend_calls
    assert np.isnan(found.joint_p).all()
    assert not found.any_called().any()


def test_a_long_record_is_bounded() -> None:
    """Six hundred samples of one series: the newest 240 are looked at, in seconds and not in minutes."""
    rng = np.random.default_rng(5)
    one = unit(rng, 50.0, 12, {"ch4": 0.3})
    started = time.process_time()
    found = calls(one)
    assert found.called[-1, NORM_GASES.index("ch4")]
    assert time.process_time() - started < 60.0
