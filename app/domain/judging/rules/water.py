"""Water: how near the oil is to letting it go, at equal temperature, on cooling, and at the load's hot spot.

A laboratory's sample speaks by itself. Of an instrument the daily medians of the last three whole days speak, never one
hour: relative saturation swings with the oil's temperature by half its value in a day.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.frame import Bools, DailyMedians, Floats, Integers, SampleFrame
from app.domain.judging.norms import LIQUIDS, Norming
from app.domain.judging.rules.oil_tests import FAIR, POOR, again, limit_columns
from app.domain.judging.rules.rule import Rule
from app.domain.judging.rules.water_rise import APART, YEAR_OF_COLD, Record, judge_rises
from app.science.norms.limits import limit as single_limit
from app.science.oil.moisture import relative_saturation, saturation_temperature, solubility, solubility_of
from app.science.oil.paper import (
    FEWEST_TEMPERATURES,
    bubble_inception,
    paper_estimate_state,
    water_in_paper,
)
from app.science.oil.volumes import total_gas_percent
from app.science.quantities import INDEX

SIGNS: Final = ("saturation", "content", "free", "rise", "paper", "bubbles")
"""What can be found, in the order of the columns of ``WaterSigns.by``."""
SATURATION, CONTENT, FREE, RISE, PAPER, BUBBLES = range(len(SIGNS))
WHOLE_DAYS: Final = 3
"""Whole days before an on-line reading whose medians speak for it (ours)."""
PAPER_BAND: Final = 0.5
"""[% by mass] Half width of the band told for apparent water in paper (common practice, no source)."""


@dataclass(frozen=True)
class WaterSigns:
    """Columns made by :func:`judge_water`.

    Attributes:
        water, temperature: (n,) what is judged [mg/kg, °C]; of an instrument the medians of days. rs: (n,) relative
            saturation there [%]. equal: (n,) the same at 50 °C where the oil is colder, at constant water.
        free_at: (n,) temperature at which water would come out of the oil. coldest: (n,) coldest oil expected [°C].
        usual: (n,) saturation of the record at like temperatures [%]; NaN where it is too short, and where the sample
            lies too near the lowest of it to have risen.
        paper_state: (n,) index into ``PAPER_ESTIMATE``.
        by: (n, 6) severity 0 to 3 of each of :data:`SIGNS`.
    """

    water: Floats
    temperature: Floats
    rs: Floats
    equal: Floats
    free_at: Floats
    coldest: Floats
    usual: Floats
    paper_state: NDArray[np.int8]
    by: NDArray[np.int8]

    @cached_property
    def looked(self) -> Bools:
        """(n,) whether there is anything to judge: what comes out on cooling hangs on the content alone."""
        looked: Bools = ~np.isnan(self.equal) | ~np.isnan(self.free_at)
        return looked

    def severity(self) -> NDArray[np.int8]:
        """(n,) the gravest of all."""
        return np.asarray(self.by.max(axis=1, initial=0), dtype=np.int8)


@dataclass(frozen=True)
class Band:
    """A figure that is known within two ends."""

    low: float
    high: float


def judge_water(frame: SampleFrame, daily: DailyMedians, norming: Norming) -> WaterSigns:
    """Every sample with water or relative saturation."""
    n = len(frame)
    judged = _Judged.of(frame, daily, norming)
    mineral = norming.barred == 0
    equal_c = single_limit("equal_temperature").value
    equal = np.where(
        judged.temperature < equal_c, 100.0 * judged.water / judged.solubility_at(equal_c), judged.rs
    )
    free_at = saturation_temperature(judged.water, *judged.constants)
    found = WaterSigns(
        *(judged.water, judged.temperature, judged.rs, equal, free_at),
        coldest=_coldest(frame, daily),
        usual=np.full(n, np.nan),
        paper_state=np.full(n, 1, dtype=np.int8),
        by=np.zeros((n, len(SIGNS)), dtype=np.int8),
    )
    known = ~np.isnan(equal)
    if not found.looked.any():
        return found
    by = found.by
    by[:, SATURATION] = np.where(mineral, _bands(equal, judged.rs), 0)
    by[:, FREE] = np.where(
        mineral & (free_at >= single_limit("free_soon").value),
        3,
        np.where(mineral & (free_at >= found.coldest), 2, 0),
    )
    _by_limits(frame, norming, found)
    asked = known & mineral & (equal >= single_limit("water_dry").value)
    rises = judge_rises(frame, daily, Record(found.temperature, found.rs), asked)
    found.usual[:], by[rises.risen, RISE] = rises.usual, 1
    drawn = known & mineral & ~frame.online
    if drawn.any():
        for row in np.flatnonzero(drawn & _may_tell_paper(frame, daily)):
            _paper(frame, daily, found, int(row))
    return found


def _bands(equal: Floats, rs: Floats) -> NDArray[np.int8]:
    wet, very_wet, free = (single_limit(f"water_{name}").value for name in ("wet", "very_wet", "free"))
    return np.select([(equal > very_wet) | (rs > free), equal > wet], [3, 2], 0).astype(np.int8)


@dataclass(frozen=True)
class _Judged:
    """(n,) water [mg/kg], temperature [°C] and saturation [%] that are judged, and the oil's constants."""

    water: Floats
    temperature: Floats
    rs: Floats
    constants: tuple[Floats, Floats]

    def solubility_at(self, temperature: float) -> Floats:
        return solubility(temperature, *self.constants)

    @classmethod
    def of(cls, frame: SampleFrame, daily: DailyMedians, norming: Norming) -> "_Judged":
        """What each row is judged by: the sample's own, or the days before an instrument's reading."""
        number = np.array([solubility_of(str(liquid)) for liquid in LIQUIDS])
        a, b = number[norming.liquid, 0], number[norming.liquid, 1]
        names = ("water", "oil_temperature", "relative_saturation")
        own = {q: np.where(frame.censored(q), np.nan, frame.column(q)) for q in names}
        if frame.online.any():
            days = daily.values[:, [INDEX[q] for q in names]]
            if np.isnan(days[:, [0, 2]]).all():
                for q in names:
                    own[q] = np.where(frame.online, np.nan, own[q])
            else:
                rows = np.flatnonzero(frame.online)
                middles = _of_days(frame, daily, days, rows)
                for i, q in enumerate(names):
                    own[q] = own[q].copy()
                    own[q][rows] = middles[:, i]
        temperature = own["oil_temperature"]
        measured = own["relative_saturation"]
        water = np.where(
            np.isnan(own["water"]), measured / 100.0 * solubility(temperature, a, b), own["water"]
        )
        rs = np.where(np.isnan(measured), relative_saturation(water, temperature, a, b), measured)
        return cls(water, temperature, rs, (a, b))


def _of_days(frame: SampleFrame, daily: DailyMedians, days: Floats, rows: Integers) -> Floats:
    """(r, 3) medians over the last whole days before each on-line row, of which two at least are there."""
    key = daily.series * APART + daily.day
    wanted = frame.series[rows] * APART + np.floor(frame.at[rows])
    unique, back = np.unique(wanted, return_inverse=True)
    begin, end = np.searchsorted(key, unique - WHOLE_DAYS), np.searchsorted(key, unique)
    stacked = np.full((WHOLE_DAYS, len(unique), days.shape[1]), np.nan)
    for k in range(WHOLE_DAYS):
        there = begin + k < end
        stacked[k, there] = days[(begin + k)[there]]
    count = (~np.isnan(stacked)).sum(axis=0)
    ordered = np.sort(stacked, axis=0)
    middle = np.where(count >= 3, ordered[1], 0.5 * (ordered[0] + ordered[1]))
    return np.asarray(np.where(count >= 2, middle, np.nan)[back], dtype=np.float64)


def _coldest(frame: SampleFrame, daily: DailyMedians) -> Floats:
    """(n,) the coldest oil that is expected: as the table has it, or as it was seen within a year."""
    usual = single_limit("coldest_expected").value
    coldest = np.full(len(frame), usual)
    temperature = daily.values[:, INDEX["oil_temperature"]]
    cold = np.flatnonzero(temperature < usual)
    if not cold.size:
        return coldest
    keys = frame.series * APART + np.floor(frame.at)
    for day in cold:
        key = daily.series[day] * APART + daily.day[day]
        near = (keys >= key) & (keys <= key + YEAR_OF_COLD)
        coldest[near] = np.minimum(coldest[near], temperature[day])
    return coldest


def _by_limits(frame: SampleFrame, norming: Norming, found: WaterSigns) -> None:
    """The owner's limits and those by voltage: above them asks to look, twice in a row at a laboratory for more."""
    for sign, quantity, value in (
        (SATURATION, "relative_saturation", found.equal),
        (CONTENT, "water", np.where(frame.online, np.nan, found.water)),
    ):
        if np.isnan(value).all():  # an instrument's content, as in every post
            continue
        low, high, owned = limit_columns(norming, quantity)
        grade = np.select([np.isnan(value), value > high, value > low], [-1, POOR, FAIR], 0).astype(np.int8)
        twice = again(frame, grade) & ~frame.online
        severity = np.select([(grade == POOR) & (owned | twice), grade > 0], [2, 1], 0).astype(np.int8)
        found.by[:, sign] = np.maximum(found.by[:, sign], severity)


# --- paper ------------------------------------------------------------------------------------------------


def _may_tell_paper(frame: SampleFrame, daily: DailyMedians) -> Bools:
    """(n,) where there are temperatures enough in the days before for water in paper; elsewhere too few are known.

    Counted for all rows at once, since one by one it costs more than all other rules together; a hair too far back, as
    :func:`paper_state` counts exactly.
    """
    key, column = frame.series * APART + frame.at, frame.column("oil_temperature")
    known = np.r_[0, np.cumsum(~np.isnan(column))]
    own = known[1:] - known[np.searchsorted(key, key - WHOLE_DAYS - 0.01)]
    known = np.r_[0, np.cumsum(~np.isnan(daily.values[:, INDEX["oil_temperature"]]))]
    days, today = daily.series * APART + daily.day, frame.series * APART + np.floor(frame.at)
    medians = known[np.searchsorted(days, today)] - known[np.searchsorted(days, today - WHOLE_DAYS)]
    enough: Bools = own + medians >= FEWEST_TEMPERATURES
    return enough


def _paper(frame: SampleFrame, daily: DailyMedians, found: WaterSigns, row: int) -> None:
    found.paper_state[row] = paper_state(frame, daily, row)
    if found.paper_state[row] or np.isnan(found.water[row]) or np.isnan(found.temperature[row]):
        return
    paper = paper_band(found, row)
    wet = single_limit("paper_wet").value
    found.by[row, PAPER] = 2 if paper.low > wet else 1 if paper.high > wet + 2.0 * PAPER_BAND else 0
    margin = bubble_margin(frame, found, row)
    near = single_limit("bubble_margin").value
    found.by[row, BUBBLES] = (
        3 if margin.high < 0.0 else 2 if margin.low < 0.0 else 1 if margin.low < near else 0
    )


def paper_state(frame: SampleFrame, daily: DailyMedians, row: int) -> int:
    """Whether apparent water in paper can be told: by the oil's temperature in the three days before the sample, of
    the series itself and of daily medians. An index into ``PAPER_ESTIMATE``."""
    same = slice(frame.since(row, 3.0), row + 1)
    today = np.floor(frame.at[row])
    days = (daily.series == frame.series[row]) & (daily.day >= today - WHOLE_DAYS) & (daily.day < today)
    temperature = np.r_[daily.values[days, INDEX["oil_temperature"]], frame.column("oil_temperature")[same]]
    at = np.r_[daily.day[days] + 0.5, frame.at[same]]
    return int(paper_estimate_state(at, temperature, ~np.isnan(temperature)))


def paper_band(found: WaterSigns, row: int) -> Band:
    """Apparent water in paper [% by mass]."""
    middle = float(water_in_paper(found.water[row], found.temperature[row]))
    return Band(max(0.0, middle - PAPER_BAND), middle + PAPER_BAND)


def hot_spot(frame: SampleFrame, found: WaterSigns, row: int) -> Band:
    """The load's hot spot [°C]: the oil, and what the winding has above it; at rated load where it is not measured."""
    load = float(frame.column("load")[row])
    part = (1.0 if np.isnan(load) else load) ** single_limit("hot_spot_exponent").value
    oil = float(found.temperature[row])
    return Band(
        oil + single_limit("hot_spot_low").value * part, oil + single_limit("hot_spot_high").value * part
    )


def bubbles(frame: SampleFrame, found: WaterSigns, row: int) -> Band:
    """The hot spot at which bubbles would form [°C]."""
    gases = [frame.values[row, INDEX[g]] for g in _DISSOLVED]
    measured = float(total_gas_percent(*gases))
    little, much = (single_limit(name).value for name in ("gas_little", "gas_much"))
    gas = Band(little, much) if np.isnan(measured) else Band(measured, measured)
    paper = paper_band(found, row)
    return Band(
        float(bubble_inception(paper.high, gas.high)), float(bubble_inception(max(paper.low, 0.05), gas.low))
    )


_DISSOLVED: Final = ("h2", "o2", "n2", "co", "co2", "ch4", "c2h6", "c2h4", "c2h2")


def bubble_margin(frame: SampleFrame, found: WaterSigns, row: int) -> Band:
    """From the load's hot spot to bubbles [K]."""
    hot, inception = hot_spot(frame, found, row), bubbles(frame, found, row)
    return Band(inception.low - hot.high, inception.high - hot.low)


WATER: Final = Rule(judge_water, ("frame", "daily", "norming"))
