"""How an instrument agrees with the laboratories: bias and spread of each gas, and whether it is within the band."""

import math
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum

import numpy as np

from app.domain.instruments.pairs import DEFAULT_HOURS, Pairs, pairs_of, telling
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord, limit_of
from app.domain.judging.frame import Bools
from app.science.measuring.agreement import LimitsOfAgreement, limits_of_agreement
from app.science.measuring.noise import instrument_parameters

DEFAULT_BAND = 0.20
"""Common practice is to act when the two differ by more than 15-20 %, or a few µL/L near detection, several times in
a row (no source that could be read; CIGRE TB 783 exists on this); settable."""


@dataclass(frozen=True)
class AgreementRule:
    """What is asked of an instrument: pairs within so many hours, and a bias within so large a share."""

    hours: float = DEFAULT_HOURS
    band: float = DEFAULT_BAND


@dataclass(frozen=True)
class CheckRule:
    """How instruments are looked at: how many days of single readings, how often, and what agreement is asked."""

    raw_days: int = 30
    every: timedelta = timedelta(hours=6)
    agreement: AgreementRule = field(default_factory=AgreementRule)


class Agreed(StrEnum):
    """Where an instrument stands against the laboratories."""

    IN_BAND = "in_band"
    OUT_OF_BAND = "out_of_band"
    TOO_FEW = "too_few"
    """Fewer than three pairs."""


@dataclass(frozen=True)
class Agreement:
    """One gas of one instrument against the laboratories.

    Attributes:
        relative: True: bias, intervals and limits are ratios less one; False: in the quantity's unit, near detection.
        band: what the bias may be, in the same terms.
        bias, bias_low, bias_high: mean difference with its 95 % interval; low, high: limits of agreement;
            low_low to high_high: the outer ends of their intervals. NaN where there are too few pairs.
        pairs: every pair of the record, oldest first. used: which of them count (newest, and alike in scale).
    """

    quantity: str
    agreed: Agreed
    relative: bool
    band: float
    bias: float
    bias_low: float
    bias_high: float
    low: float
    high: float
    low_low: float
    high_high: float
    pairs: Pairs
    used: Bools


def agreement(record: InstrumentRecord, rule: AgreementRule) -> list[Agreement]:
    """Every checked quantity that has a pair."""
    found = ((name, pairs_of(record, name, rule.hours)) for name in CHECKED_GASES)
    return [_of(name, pairs, rule.band) for name, pairs in found if len(pairs)]


def _of(name: str, pairs: Pairs, band: float) -> Agreement:
    c = instrument_parameters("agreement")
    newest = np.arange(len(pairs)) >= len(pairs) - c["newest"]
    high = telling(pairs, name)
    relative = bool((high & newest).sum() >= c["pairs"] or (high & newest).sum() * 2 > newest.sum())
    used = np.asarray(newest & high if relative else newest)
    chosen = pairs.where(used)
    differences = chosen.logarithmic if relative else chosen.online - chosen.laboratory
    found = limits_of_agreement(differences, c["confidence"])
    allowed = band if relative else band * c["detection_limits"] * limit_of(name)
    ends = _ends(found, relative)
    bias, low, high_end = ends[:3]
    if len(chosen) < c["pairs"]:
        agreed = Agreed.TOO_FEW
    elif abs(bias) > allowed and low * high_end > 0.0:
        agreed = Agreed.OUT_OF_BAND
    else:
        agreed = Agreed.IN_BAND
    return Agreement(
        quantity=name,
        agreed=agreed,
        relative=relative,
        band=allowed,
        bias=bias,
        bias_low=low,
        bias_high=high_end,
        low=ends[3],
        high=ends[4],
        low_low=ends[5],
        high_high=ends[6],
        pairs=pairs,
        used=used,
    )


def _ends(found: LimitsOfAgreement, relative: bool) -> tuple[float, ...]:
    """Bias, its interval, the limits, and the outer ends of their intervals."""
    ends = (
        found.bias,
        found.bias_low,
        found.bias_high,
        found.low,
        found.high,
        found.low - found.low_error,
        found.high + found.low_error,
    )
    return tuple(math.expm1(e) for e in ends) if relative else ends
