"""The key gas: which printed profile the shares of the combustible gases resemble most."""

import math
from collections.abc import Sequence
from typing import Final

from app.domain.judging.frame import Bools, Floats
from app.domain.judging.methods.method import Method, Numbers
from app.domain.judging.rules.levels import RAISED, Levels
from app.science.diagnosis.ratios import COMBUSTIBLE, KEY_GAS_CASES, KEY_GAS_MATCH, key_gas
from app.science.quantities import NORM_GASES

_CELLULOSE: Final = KEY_GAS_CASES.index("overheated cellulose")
_CO: Final = NORM_GASES.index("co")


def _case(*gases: Floats) -> Numbers:
    return key_gas(*gases).case


def _match(readings: Sequence[float]) -> float:
    return float(key_gas(*readings).match)


def _ordinary(levels: Levels, held: Bools) -> Bools:
    """Ordinary oil is mostly carbon monoxide: cellulose is a case only where that is raised."""
    return held[:, _CELLULOSE] & (levels.level[:, _CO] < RAISED)


def _nothing(readings: Sequence[float]) -> str:
    match = _match(readings)
    if match >= KEY_GAS_MATCH:  # then it was the profile of cellulose, which :func:`_ordinary` refused
        return "most of the gas is carbon monoxide, as in ordinary oil, and that is not above its norm"
    return f"the shares resemble no profile (best match {math.floor(match)} %, {KEY_GAS_MATCH:.0f} % would name one)"


METHOD: Final = Method(
    name="key_gas",
    title="Key gas",
    gases=COMBUSTIBLE,
    codes=KEY_GAS_CASES,
    says=_case,
    because=lambda readings: f"match {_match(readings):.0f} % with its profile",
    without=_nothing,
    unless=_ordinary,
    tables={"key_gas": "Key gas"},
)
