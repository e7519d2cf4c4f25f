"""Figures of one row that stand beside the verdict: deltas, rates, energies, ratios, water, paper."""

from typing import Final

import numpy as np

from app.domain.findings import Rate
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Floats
from app.science.oil.moisture import water_at
from app.science.oil.paper import (
    PAPER_ESTIMATE,
    bubble_inception,
    degree_of_polymerization,
    paper_estimate_state,
    water_in_paper,
)
from app.science.oil.volumes import total_gas_percent
from app.science.quantities import NAMES, NORM_GASES

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
    "bubble_inception": "°C",
    "degree_of_polymerization": "",
}
"""Units of ``Assessment.numbers``."""

PAPER_BAND: Final = 0.5
"""[% by mass] Half width of the band told for apparent water in paper (common practice, no source)."""


def number(value: float, digits: int) -> float | None:
    """Rounded, or None for NaN."""
    return None if not np.isfinite(value) else round(float(value), digits)


def rates_of(judgement: Judgement, row: int) -> dict[str, Rate]:
    """Multi-point rates, by gas."""
    changes = judgement.changes
    return {
        gas: Rate(
            round(float(changes.rate[row, g]), 4),
            round(float(changes.rate_span[row, g]), 3),
            int(changes.rate_points[row, g]),
        )
        for g, gas in enumerate(NORM_GASES)
        if not np.isnan(changes.rate[row, g])
    }


def deltas_of(judgement: Judgement, row: int) -> dict[str, float]:
    """Changes against the reference sample, by gas [µL/L]."""
    delta = judgement.changes.delta[row]
    return {gas: round(float(delta[g]), 4) for g, gas in enumerate(NORM_GASES) if not np.isnan(delta[g])}


def numbers_of(judgement: Judgement, row: int) -> dict[str, float]:
    """Everything in :data:`NUMBER_UNITS` that can be had; what cannot is left out."""
    frame = judgement.frame

    def measured(name: str) -> float:
        i = NAMES.index(name)
        return float("nan") if frame.below[row, i] else float(frame.values[row, i])

    def ratio(a: str, b: str) -> float:
        return measured(a) / measured(b) if measured(b) > 0 else float("nan")

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
    found["degree_of_polymerization"] = number(float(degree_of_polymerization(measured("furfural"))), 0)
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
    """Water at 20 °C, and the band of apparent water in paper where the oil was warm and steady."""
    if not (np.isfinite(water) and np.isfinite(temperature)):
        return {}
    found: dict[str, float | None] = {"water_at_20": number(float(water_at(water, temperature, 20.0)), 2)}
    if paper_state(judgement, row) != PAPER_ESTIMATE[0]:
        return found
    paper = float(water_in_paper(water, temperature))
    found |= {
        "paper_water": number(paper, 2),
        "paper_water_low": number(max(0.0, paper - PAPER_BAND), 2),
        "paper_water_high": number(paper + PAPER_BAND, 2),
    }
    gases = [
        judgement.frame.values[row, NAMES.index(g)]
        for g in ("h2", "o2", "n2", "co", "co2", "ch4", "c2h6", "c2h4", "c2h2")
    ]
    gas = float(total_gas_percent(*gases))
    if np.isfinite(gas):
        found["bubble_inception"] = number(float(bubble_inception(paper, gas)), 0)
    return found


def paper_state(judgement: Judgement, row: int) -> str:
    """``applicable``, or why apparent water in paper is not told: too few readings, too cold, not steady."""
    frame = judgement.frame
    same = slice(frame.since(row, 3.0), row + 1)
    temperature: Floats = frame.column("oil_temperature")[same]
    state = int(paper_estimate_state(frame.at[same], temperature, ~np.isnan(temperature)))
    return PAPER_ESTIMATE[state]
