"""Doernenburg's four ratios, with the validity test that they must pass first."""

from collections.abc import Sequence
from typing import Final

from app.domain.judging.methods.method import Method, Numbers
from app.domain.judging.methods.words import ratios_of
from app.science.diagnosis.ratios import DOERNENBURG_FAULTS, DOERNENBURG_STEPS, doernenburg
from app.science.quantities import FAULT_GASES


def _fault(*gases: float) -> Numbers:
    return doernenburg(*gases).fault


def _ratios(readings: Sequence[float]) -> str:
    h2, ch4, c2h6, c2h4, c2h2, _ = readings
    return ratios_of(
        ("CH₄/H₂", ch4, h2), ("C₂H₂/C₂H₄", c2h2, c2h4), ("C₂H₂/CH₄", c2h2, ch4), ("C₂H₆/C₂H₂", c2h6, c2h2)
    )


def _without(readings: Sequence[float]) -> str:
    return f"validity test: {DOERNENBURG_STEPS[doernenburg(*readings).step]} ({_ratios(readings)})"


METHOD: Final = Method(
    name="doernenburg_ratios",
    title="Doernenburg ratios",
    gases=FAULT_GASES,
    reads=(*FAULT_GASES, "co"),
    codes=DOERNENBURG_FAULTS,
    says=_fault,
    because=_ratios,
    without=_without,
    tables={
        "doernenburg_l1": "Doernenburg: L1 concentrations",
        "doernenburg_ratios": "Doernenburg: ratios",
    },
)
