"""The limits that judge one sample, gas by gas, each with its clause, as the asset page and its charts show them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.domain.frame import SampleFrame, frame_of
from app.domain.model import Asset, SourceKind
from app.domain.norms import AGES, MONTH_DAYS, Citation, norms_2019, span_column
from app.domain.rules.levels import Levels, judge_levels
from app.science.quantities import NAMES, NORM_GASES
from app.store.views import SampleView

SIDE_WORDS = ("O₂/N₂ ≤ 0.2", "O₂/N₂ > 0.2")
AGE_WORDS = {"unknown": "age unknown", "1-9": "1–9 years", "10-30": "10–30 years", "over 30": "over 30 years"}


@dataclass(frozen=True, slots=True)
class Limit:
    """One norm [µL/L, or µL/L/year for a rate]; 0 stands for "any increase"."""

    value: float
    citation: Citation


@dataclass(frozen=True, slots=True)
class GasLimits:
    """The norms of one gas. ``rate`` is None where no rate was found."""

    typical: Limit
    high: Limit
    delta: Limit
    rate: Limit | None


@dataclass(frozen=True, slots=True)
class NormColumn:
    """Which column of the tables judges a sample, in words, and its limits by gas."""

    side: str
    age: str
    oxygen_ratio: float | None
    limits: dict[str, GasLimits]


def norm_column(asset: Asset, series: Sequence[SampleView]) -> NormColumn:
    """Limits for the last sample of ``series`` (one source's samples, oldest first, at least one).

    The column is chosen by the same rule that the engine uses, from the same samples.
    """
    sample = series[-1]
    found = judge_levels(_frame(asset, series))
    side, age = int(found.side[-1]), int(found.age[-1])
    ratio = float(found.oxygen_ratio[-1])
    rates = sample.assessment.rates if sample.assessment else {}
    return NormColumn(
        side=SIDE_WORDS[side],
        age=AGE_WORDS[AGES[age]],
        oxygen_ratio=None if np.isnan(ratio) else ratio,
        limits={
            gas: _limits(found, gas, rates[gas].span_days if gas in rates else None) for gas in NORM_GASES
        },
    )


def _frame(asset: Asset, series: Sequence[SampleView]) -> SampleFrame:
    sample = series[-1]
    return frame_of(
        [0] * len(series),
        [s.taken_at for s in series],
        [[s.readings[name].number if name in s.readings else np.nan for name in NAMES] for s in series],
        [[name in s.readings and s.readings[name].below is not None for name in NAMES] for s in series],
        age=asset.age_years(sample.taken_at),
        online=sample.source_kind is SourceKind.INSTRUMENT,
    )


def _limits(found: Levels, gas: str, span_days: float | None) -> GasLimits:
    norms = norms_2019()
    side, age, i = int(found.side[-1]), int(found.age[-1]), NORM_GASES.index(gas)
    rate = None
    if span_days is not None and span_days >= 4 * MONTH_DAYS:
        span = int(span_column(np.array([span_days]))[0])
        rate = Limit(float(norms.rate[side, span, i]), norms.cite("4", gas, side, span))
    return GasLimits(
        typical=Limit(float(norms.typical[side, age, i]), norms.cite("1", gas, side, age)),
        high=Limit(float(norms.high[side, age, i]), norms.cite("2", gas, side, age)),
        delta=Limit(float(norms.delta[side, i]), norms.cite("3", gas, side)),
        rate=rate,
    )
