"""The numbers that led a method to its answer, in words."""

import math
from collections.abc import Callable, Sequence

import numpy as np

from app.domain.writing import written
from app.science.quantities import BY_NAME


def shares_of(gases: Sequence[str]) -> Callable[[Sequence[float]], str]:
    """Words for a zone method over these gases: the share of each in their sum."""

    def words(readings: Sequence[float]) -> str:
        shares = 100.0 * np.asarray(readings) / np.sum(readings)
        return ", ".join(f"{BY_NAME[g].symbol} {s:.1f} %" for g, s in zip(gases, shares, strict=True))

    return words


def three_ratios(readings: Sequence[float]) -> str:
    """The three ratios of IEC 60599 and Rogers, from the five fault gases in the order of ``FAULT_GASES``."""
    h2, ch4, c2h6, c2h4, c2h2 = readings
    return ratios_of(("C₂H₂/C₂H₄", c2h2, c2h4), ("CH₄/H₂", ch4, h2), ("C₂H₄/C₂H₆", c2h4, c2h6))


def ratios_of(*ratios: tuple[str, float, float]) -> str:
    """Ratios by name, numerator and denominator."""
    return ", ".join(f"{name} {_ratio(name, a, b)}" for name, a, b in ratios)


def _ratio(name: str, a: float, b: float) -> str:
    if math.isnan(a) or math.isnan(b):
        return "not measured"
    if b == 0:
        return "undefined (both zero)" if a == 0 else f"undefined ({name.partition('/')[2]} zero)"
    return written(a / b, 2)
