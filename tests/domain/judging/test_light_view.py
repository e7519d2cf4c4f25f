"""The light view of on-line readings says of every row what the whole assessment says.

The light view asks about rows with the same signs once, so a sign that it forgets gives some row another's fault. The
rows below are many, and many of them differ in one sign only.
"""

from functools import cache

import numpy as np
import pytest
from engine_cast import START

from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import SampleFrame, to_days
from app.domain.judging.light_view import OnlineView, online_view
from app.domain.judging.norms import NORM_SETS, Norming
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.reporting.fault import FAULT_NAMES
from app.science.quantities import FAULT_GASES, INDEX, NAMES, NORM_GASES

UNITS, DAYS, A_DAY, SEEDS = 30, 75, 2, 4
EDGES = np.array([0.0, 0.01, 0.02, 0.04, 0.1, 0.13, 0.15, 0.2, 0.23, 0.24, 0.3, 0.4, 0.5, 0.7, 0.98])
"""Shares at which zones and ratios begin and end, so that gases tie with the limits between them."""
QUIET = {"h2": 30.0, "ch4": 20.0, "c2h6": 20.0, "c2h4": 15.0, "c2h2": 0.6, "co": 300.0, "co2": 3000.0}


def compositions(random: np.random.Generator, count: int) -> np.ndarray:
    """(count, 5) shares of the fault gases: anywhere, on edges, and of few gases."""
    anywhere = random.dirichlet(np.full(5, 0.5), count)
    edges = random.choice(EDGES, (count, 5)) + 1e-12
    kind = random.integers(0, 3, count)[:, None]
    found = np.where(kind == 0, edges, anywhere)
    found[np.broadcast_to(kind == 1, found.shape) & (random.random((count, 5)) < 0.4)] = 0.0
    return np.asarray(found / np.maximum(found.sum(axis=1, keepdims=True), 1e-9))


@cache
def judged(seed: int) -> Judgement:
    """Monitors of 75 days: a mixture of gases that changes, on top of one that stays; gaps, limits, zeros, norms."""
    random = np.random.default_rng(seed)
    n = DAYS * A_DAY
    total = UNITS * n
    unit = np.repeat(np.arange(UNITS), n)
    values = np.full((total, len(NAMES)), np.nan)
    for name, level in QUIET.items():
        values[:, INDEX[name]] = level * random.lognormal(0.0, 0.02, total)
    fault = np.array([INDEX[gas] for gas in FAULT_GASES])
    old = random.choice([0.0, 0.0, 200.0, 2000.0], UNITS)[:, None] * compositions(random, UNITS)
    strong = random.choice([0.0, 40.0, 200.0, 1000.0, 5000.0], total)[:, None]
    late = (np.tile(np.arange(n), UNITS) >= n // 2)[:, None]  # the month before last is the old mixture alone
    values[:, fault] += old[unit] + late * strong * compositions(random, total)
    bare = random.random(UNITS)[unit] < 0.5  # of half the units nothing but the mixture
    mixture = np.ix_(np.flatnonzero(bare), fault)
    values[mixture] -= np.minimum(values[mixture], 30.0)
    rounded = random.random(total) < 0.3
    values[rounded] = np.round(values[rounded])
    values[random.random(values.shape) < 0.004] = 0.0
    values[random.random(values.shape) < random.choice([0.0, 0.02, 0.2], UNITS)[unit][:, None]] = np.nan
    below = random.random(values.shape) < random.choice([0.0, 0.01, 0.1], UNITS)[unit][:, None]
    frame = SampleFrame(
        series=unit,
        at=to_days(START) + np.tile(np.arange(n) / A_DAY, UNITS),
        values=values,
        below=below & ~np.isnan(values),
        age=random.choice([np.nan, 0.5, 12.0, 40.0], UNITS)[unit],
        online=np.full(total, True),
        oxygen_ratio=random.choice([np.nan, 0.1, 0.2, 0.6], UNITS)[unit],
    )
    owned = np.full((1, len(NAMES)), np.nan)
    owned[:, : len(NORM_GASES)] = 10.0 ** random.uniform(0.5, 3.0, len(NORM_GASES))
    norming = Norming(
        norm_set=random.integers(0, len(NORM_SETS), UNITS)[unit],
        communicating=(random.random(UNITS) < 0.5)[unit],
        owner=np.where(random.random(UNITS) < 0.2, 0, -1)[unit],
        owner_typical=owned,
        owner_high=3.0 * owned,
        barred=(random.random(UNITS) < 0.05)[unit].astype(np.int8),
    )
    return assess(frame, norming=norming)


@cache
def lightly(seed: int) -> OnlineView:
    return online_view(judged(seed), np.arange(UNITS * DAYS * A_DAY))


@pytest.mark.parametrize("seed", range(SEEDS))
def test_the_light_view_says_what_the_assessment_says(seed: int) -> None:
    judgement, view = judged(seed), lightly(seed)
    for row in range(UNITS * DAYS * A_DAY):
        whole = report(judgement, row, ReportOptions(detailed=False))
        short = view.verdicts[row]
        assert (short.status, short.suspect) == (whole.status, whole.suspect), row
        assert short.fault == (whole.fault.code if whole.fault else None), row
        assert tuple(np.array(NORM_GASES)[view.judged[row]]) == whole.judged_gases, row
        told = {f.quantity for f in whole.findings if f.rule in {"level", "delta", "rate", "extreme"}}
        assert set(np.array(NORM_GASES)[view.raising[row]]) == told, row


def test_the_rows_show_every_fault_and_every_status() -> None:
    seen = [verdict for seed in range(SEEDS) for verdict in lightly(seed).verdicts]
    assert {v.fault for v in seen} == {*FAULT_NAMES, None}
    assert {v.status for v in seen} == {None, 1, 2, 3}
    assert {v.suspect for v in seen} == {False, True}


@pytest.mark.parametrize("sign", range(judged(0).levels.level.shape[1]))
def test_every_gas_is_judged_and_raised_somewhere(sign: int) -> None:
    for of in ("judged", "raising"):
        found = np.concatenate([getattr(lightly(seed), of)[:, sign] for seed in range(SEEDS)])
        assert found.any()
        assert not found.all()
