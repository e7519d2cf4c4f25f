"""The ratio table of IEC 60599, whose rows overlap: two faults may fit."""

from collections.abc import Sequence
from typing import Final

from app.domain.judging.methods.method import InFaultCall, Method
from app.domain.judging.methods.words import three_ratios
from app.science.diagnosis.ratios import IEC_60599_CASES, iec_60599_cases
from app.science.quantities import FAULT_GASES


def _without(readings: Sequence[float]) -> str:
    return f"the ratios fit no row of the table ({three_ratios(readings)})"


METHOD: Final = Method(
    name="iec_60599_ratios",
    title="IEC 60599 ratios",
    gases=FAULT_GASES,
    codes=IEC_60599_CASES,
    says=iec_60599_cases,
    because=three_ratios,
    without=_without,
    tables={"iec_60599_ratios": "IEC 60599: ratios"},
    fault=InFaultCall(supports=True, witness=True),
    several="; the table's rows overlap here",
)
