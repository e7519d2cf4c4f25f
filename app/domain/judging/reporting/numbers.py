"""Figures of one row that stand beside the verdict: deltas, rates, energies, ratios, water, paper."""

import math
from typing import Final

import numpy as np

from app.domain.findings import Rate
from app.domain.judging.engine import Judgement
from app.domain.judging.rules.water import bubbles, hot_spot, paper_band
from app.science.oil.moisture import water_at
from app.science.quantities import INDEX, NORM_GASES

NUMBER_UNITS: Final = {
    "tdcg": "µL/L",
    "tdcg_per_day": "µL/L/day",
    "condition_2008": "",
    "nei_oil_without_ethane": "kJ/kL",
    "nei_paper": "kJ/kL",
    "nei_oil_gained": "kJ/kL",
    "co2_co": "",
    "o2_n2": "",
    "c2h2_h2": "",
    "water_at_20": "mg/kg",
    "paper_water": "% by mass",
    "paper_water_low": "% by mass",
    "paper_water_high": "% by mass",
    "water_saturation_at_50": "%",
    "free_water_at": "°C",
    "hot_spot_low": "°C",
    "hot_spot_high": "°C",
    "bubble_inception_low": "°C",
    "bubble_inception_high": "°C",
    "dp_low": "",
    "dp_high": "",
}
"""Units of ``Assessment.numbers``."""


def number(value: float, digits: int) -> float | None:
    """Rounded, or None for NaN."""
    return round(float(value), digits) if math.isfinite(value) else None


def rates_of(judgement: Judgement, row: int) -> dict[str, Rate]:
    """Multi-point rates, by gas."""
    changes = judgement.changes
    columns = (column[row].tolist() for column in (changes.rate, changes.rate_span, changes.rate_points))
    return {
        gas: Rate(round(rate, 4), round(span, 3), points)
        for gas, rate, span, points in zip(NORM_GASES, *columns, strict=True)
        if not math.isnan(rate)
    }


def deltas_of(judgement: Judgement, row: int) -> dict[str, float]:
    """Changes against the reference sample, by gas [µL/L]."""
    deltas = zip(NORM_GASES, judgement.changes.delta[row].tolist(), strict=True)
    return {gas: round(delta, 4) for gas, delta in deltas if not math.isnan(delta)}


def numbers_of(judgement: Judgement, row: int) -> dict[str, float]:
    """Everything in :data:`NUMBER_UNITS` that can be had; what cannot is left out."""
    frame = judgement.frame

    def measured(name: str) -> float:
        i = INDEX[name]
        return math.nan if frame.below[row, i] else float(frame.values[row, i])

    def ratio(a: str, b: str) -> float:
        below = measured(b)
        return measured(a) / below if below > 0 else math.nan

    condition = int(judgement.condition_2008[row])
    found: dict[str, float | None] = {
        "tdcg": number(judgement.tdcg[row], 1),
        "tdcg_per_day": _tdcg_per_day(judgement, row),
        "condition_2008": float(condition) if condition else None,
        "nei_oil_without_ethane": number(judgement.nei_oil_without_ethane[row], 3),
        "nei_paper": number(judgement.nei_paper[row], 3),
        "nei_oil_gained": _energy_gained(judgement, row),
        "co2_co": number(ratio("co2", "co"), 2),
        "o2_n2": number(float(judgement.levels.oxygen_ratio[row]), 3),
        "c2h2_h2": number(ratio("c2h2", "h2"), 3),
    }
    found |= _water(judgement, row, measured("water"), measured("oil_temperature"))
    found["dp_low"] = number(float(judgement.paper.dp_low[row]), 0)
    found["dp_high"] = number(float(judgement.paper.dp_high[row]), 0)
    return {name: value for name, value in found.items() if value is not None}


def _has_sample_before(judgement: Judgement, row: int) -> bool:
    """Whether the row before is the laboratory sample before."""
    frame = judgement.frame
    return bool(row > 0 and frame.series[row] == frame.series[row - 1] and not frame.online[row])


def _tdcg_per_day(judgement: Judgement, row: int) -> float | None:
    """Two-point rate of TDCG since the sample before, as the 2008 guide takes it."""
    if not _has_sample_before(judgement, row):
        return None
    days = float(judgement.frame.at[row] - judgement.frame.at[row - 1])
    return number(float(judgement.tdcg[row] - judgement.tdcg[row - 1]) / days, 3) if days > 0 else None


def _energy_gained(judgement: Judgement, row: int) -> float | None:
    """NEI of oil gained since the sample before in the same series; over 0.5 one utility acts (Annex F)."""
    if not _has_sample_before(judgement, row):
        return None
    return number(float(judgement.nei_oil[row] - judgement.nei_oil[row - 1]), 3)


def _water(judgement: Judgement, row: int, water: float, temperature: float) -> dict[str, float | None]:
    """Water at 20 °C, where it would come out, and the bands of paper and bubbles where the oil was warm and steady."""
    if not (np.isfinite(water) and np.isfinite(temperature)):
        return {}
    frame, found = judgement.frame, judgement.water
    told: dict[str, float | None] = {"water_at_20": number(float(water_at(water, temperature, 20.0)), 2)}
    if judgement.levels.barred[row]:
        return told
    told["water_saturation_at_50"] = number(float(found.equal[row]), 1)
    told["free_water_at"] = number(float(found.free_at[row]), 0)
    if frame.online[row] or found.paper_state[row]:
        return told
    paper, hot, inception = paper_band(found, row), hot_spot(frame, found, row), bubbles(frame, found, row)
    return told | {
        "paper_water": number(0.5 * (paper.low + paper.high), 2),
        "paper_water_low": number(paper.low, 2),
        "paper_water_high": number(paper.high, 2),
        "hot_spot_low": number(hot.low, 0),
        "hot_spot_high": number(hot.high, 0),
        "bubble_inception_low": number(inception.low, 0),
        "bubble_inception_high": number(inception.high, 0),
    }
