"""The CIGRE scheme: four signs, each a ratio and an amount beyond their limits; several may hold."""

from collections.abc import Sequence
from typing import Final

from app.domain.judging.methods.method import Method
from app.domain.judging.methods.words import ratios_of
from app.science.diagnosis.codes import CIGRE_SIGNS, cigre_signs
from app.science.quantities import FAULT_GASES, NORM_GASES


def _ratios(readings: Sequence[float]) -> str:
    h2, ch4, c2h6, c2h4, c2h2, co, co2 = readings
    return ratios_of(
        ("C₂H₂/C₂H₆", c2h2, c2h6), ("H₂/CH₄", h2, ch4), ("C₂H₄/C₂H₆", c2h4, c2h6), ("CO₂/CO", co2, co)
    )


METHOD: Final = Method(
    name="cigre_signs",
    title="CIGRE signs",
    gases=FAULT_GASES,
    reads=NORM_GASES,
    codes=CIGRE_SIGNS,
    says=cigre_signs,
    because=_ratios,
    without=lambda readings: f"none of its signs holds ({_ratios(readings)})",
    tables={"cigre_scheme": "CIGRE scheme"},
    joint=" + ",
)
