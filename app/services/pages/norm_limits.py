"""The limits that judge one sample, gas by gas, each with its clause, as the asset page and its charts show them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from app.domain.judging.frame import SampleFrame, frame_of
from app.domain.judging.norms import (
    AGES,
    IEC,
    IEEE_2008,
    IEEE_2019,
    MONTH_DAYS,
    NORM_SET_NAMES,
    NORM_SETS,
    OWNER,
    Citation,
    norming_of,
    norms_2008,
    norms_2019,
    norms_iec,
    span_column,
)
from app.domain.judging.rules.levels import Levels, judge_levels
from app.domain.model import Asset, OwnerLimit, SourceKind
from app.science.quantities import NAMES, NORM_GASES
from app.store.pages.view_samples import SampleView

SIDE_WORDS = ("O₂/N₂ ≤ 0.2", "O₂/N₂ > 0.2")
AGE_WORDS = {"unknown": "age unknown", "1-9": "1–9 years", "10-30": "10–30 years", "over 30": "over 30 years"}
LEVEL_TITLES = {
    IEEE_2019: ("Table 1", "Table 2"),
    IEEE_2008: ("condition 1", "condition 3"),
    IEC: ("typical", ""),
}
"""What the lower and the higher limit of a set are called; an empty title: the set has no such limit."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One norm [µL/L, or µL/L/year for a rate]; 0 stands for "any increase"."""

    value: float
    citation: Citation


@dataclass(frozen=True, slots=True)
class GasLimits:
    """The norms of one gas; None where the set has none (or, for a rate, where no rate was found)."""

    typical: Limit
    high: Limit | None
    delta: Limit | None
    rate: Limit | None


@dataclass(frozen=True, slots=True)
class NormColumn:
    """Which set and which column of its tables judge a sample, in words, and its limits by gas."""

    name: str
    titles: tuple[str, str]
    column: str
    """Empty for a set without columns."""
    oxygen_ratio: float | None
    limits: dict[str, GasLimits]


def norm_column(
    asset: Asset, series: Sequence[SampleView], owner: Sequence[OwnerLimit], known_ratio: float | None = None
) -> NormColumn:
    """Limits for the last sample of ``series`` (one kind of source's samples, oldest first, at least one).

    The column is chosen by the same rule that the engine uses, from the same samples. ``owner`` are the owner's
    own limits; ``known_ratio`` is an O2/N2 from elsewhere, for an instrument that does not measure it.
    """
    norm_set = NORM_SETS.index(asset.norm_set)
    frame = _frame(asset, series, known_ratio)
    found = judge_levels(frame, norming_of(asset, owner, len(frame)))
    side, age = int(found.side[-1]), int(found.age[-1])
    ratio = float(found.oxygen_ratio[-1])
    sample = series[-1]
    rates = sample.assessment.rates if sample.assessment else {}
    spans = {gas: rates[gas].span_days if gas in rates else None for gas in NORM_GASES}
    return NormColumn(
        name=NORM_SET_NAMES[NORM_SETS[norm_set]],
        titles=LEVEL_TITLES[norm_set],
        column=f"{SIDE_WORDS[side]}, {AGE_WORDS[AGES[age]]}" if norm_set == IEEE_2019 else "",
        oxygen_ratio=None if np.isnan(ratio) else ratio,
        limits={gas: _limits(found, norm_set, gas, spans[gas]) for gas in NORM_GASES},
    )


def oxygen_ratio(samples: Sequence[SampleView]) -> float | None:
    """The newest usable O2/N2 of some samples, oldest first."""
    for sample in reversed(samples):
        oxygen, nitrogen = sample.readings.get("o2"), sample.readings.get("n2")
        if oxygen and nitrogen and oxygen.value is not None and nitrogen.value:
            return oxygen.value / nitrogen.value
    return None


def _frame(asset: Asset, series: Sequence[SampleView], known_ratio: float | None) -> SampleFrame:
    sample = series[-1]
    frame = frame_of(
        [0] * len(series),
        [s.taken_at for s in series],
        [[s.readings[name].number if name in s.readings else np.nan for name in NAMES] for s in series],
        [[name in s.readings and s.readings[name].below is not None for name in NAMES] for s in series],
        age=asset.age_years(sample.taken_at),
        online=sample.source_kind is SourceKind.INSTRUMENT,
    )
    if known_ratio is None:
        return frame
    return replace(frame, oxygen_ratio=np.full(len(series), known_ratio))


def _limits(found: Levels, norm_set: int, gas: str, span_days: float | None) -> GasLimits:
    i = NORM_GASES.index(gas)
    lower, higher, delta, rate = _published(found, norm_set, gas, span_days)
    if found.owner_typical[-1, i]:
        lower = _OWNERS
    if found.owner_high[-1, i]:
        higher = _OWNERS
    high = float(found.high[-1, i])
    return GasLimits(
        typical=Limit(float(found.typical[-1, i]), lower),
        high=Limit(high, higher) if higher is not None and np.isfinite(high) else None,
        delta=delta,
        rate=rate,
    )


_OWNERS = Citation(OWNER, "common practice", "set by the owner of the fleet")


def _published(
    found: Levels, norm_set: int, gas: str, span_days: float | None
) -> tuple[Citation, Citation | None, Limit | None, Limit | None]:
    """Where the lower and the higher limit were read, and the limits of change and rate."""
    if norm_set == IEEE_2008:
        cite = norms_2008().citations[gas]
        return cite, cite, None, None
    if norm_set == IEC:
        return norms_iec().citations[gas], None, None, None
    norms = norms_2019()
    side, age, i = int(found.side[-1]), int(found.age[-1]), NORM_GASES.index(gas)
    rate = None
    if span_days is not None and span_days >= 4 * MONTH_DAYS:
        span = int(span_column(np.array([span_days]))[0])
        rate = Limit(float(norms.rate[side, span, i]), norms.cite("4", gas, side, span))
    delta = Limit(float(norms.delta[side, i]), norms.cite("3", gas, side))
    return norms.cite("1", gas, side, age), norms.cite("2", gas, side, age), delta, rate
