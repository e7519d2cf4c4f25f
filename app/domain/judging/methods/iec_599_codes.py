"""The three-digit code of IEC 599 as it was first printed, in 1978: each ratio gives a digit, the digits a fault."""

from collections.abc import Sequence
from typing import Final

from app.domain.judging.frame import Floats
from app.domain.judging.methods.method import Method, Numbers
from app.domain.judging.methods.words import three_ratios
from app.science.diagnosis.codes import IEC_599_CODES, iec_599_code
from app.science.quantities import FAULT_GASES
from app.science.tables import rows

_FROM_MEMORY: Final = {row["fault"] for row in rows("iec_599_codes") if row["provenance"] == "from memory"}


def _fault(*gases: Floats) -> Numbers:
    return iec_599_code(*gases).fault


def _code(readings: Sequence[float]) -> str:
    """The digits; a question mark for a ratio that has no value."""
    digits = iec_599_code(*readings).digits.tolist()
    return "-".join("?" if digit < 0 else str(digit) for digit in digits)


def _because(readings: Sequence[float]) -> str:
    fault = IEC_599_CODES[int(iec_599_code(*readings).fault)]
    remembered = "; which code of the two is the high energy is from memory" if fault in _FROM_MEMORY else ""
    return f"code {_code(readings)} ({three_ratios(readings)}){remembered}"


METHOD: Final = Method(
    name="iec_599_codes",
    title="IEC 599 codes (1978)",
    gases=FAULT_GASES,
    codes=IEC_599_CODES,
    says=_fault,
    because=_because,
    without=lambda readings: f"code {_code(readings)} is not in the table ({three_ratios(readings)})",
    tables={
        "iec_599_codes": "IEC 599 of 1978 and Rogers: codes of the faults",
        "iec_599_digits": "IEC 599 of 1978 and Rogers: digits of the ratios",
    },
)
