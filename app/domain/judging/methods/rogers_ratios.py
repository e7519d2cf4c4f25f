"""The three-ratio table of Rogers."""

from collections.abc import Sequence
from typing import Final

from app.domain.judging.methods.method import Method
from app.domain.judging.methods.words import three_ratios
from app.science.diagnosis.ratios import ROGERS_CASES, rogers_case
from app.science.quantities import FAULT_GASES


def _without(readings: Sequence[float]) -> str:
    return f"the ratios fit no case of the table ({three_ratios(readings)})"


METHOD: Final = Method(
    name="rogers_ratios",
    title="Rogers ratios",
    gases=FAULT_GASES,
    codes=tuple(f"{number} {name}" for number, name in enumerate(ROGERS_CASES)),
    says=rogers_case,
    because=three_ratios,
    without=_without,
    tables={"rogers_ratios": "Rogers: ratios"},
)
