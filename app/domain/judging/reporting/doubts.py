"""Doubts about a sample itself, in sentences."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from app.domain.findings import Finding, Severity
from app.domain.judging.engine import Judgement
from app.science.quantities import BY_NAME, NORM_GASES

_SYMBOLS: Final = tuple(BY_NAME[g].symbol for g in NORM_GASES)


def quality_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Doubts about the sample itself."""
    quality, changes = judgement.quality, judgement.changes
    symbols = _SYMBOLS
    doubts: list[str] = []
    if quality.nothing[row]:
        doubts.append("Every gas is zero: a failed analysis or an empty form rather than oil.")
    if quality.air[row]:
        doubts.append("Hydrogen fell while O₂/N₂ rose: air may have got into the sample.")
    if quality.loss[row]:
        doubts.append("Hydrogen fell by half while methane stayed: gas may have been lost from the sample.")
    if quality.repeat[row]:
        doubts.append("Every figure equals the report before it: it may be a copy.")
    for g in np.flatnonzero(quality.digit[row]).tolist():
        doubts.append(
            f"{symbols[g]} is about ten times off while the others fit: a digit may be lost or doubled."
        )
    if quality.unit[row]:
        doubts.append(f"All gases are off by a factor of 10^{quality.unit[row]}: the unit may be another.")
    if quality.shift[row]:
        doubts.append("The figures fit the history when shifted by one column.")
    if quality.swapped[row, 0] >= 0:
        a, b = (symbols[i] for i in quality.swapped[row])
        doubts.append(f"The figures fit the history when {a} and {b} change places.")
    for name, hit in zip(("O₂", "N₂", "water"), quality.saturated[row], strict=True):
        if hit:
            doubts.append(f"There is more {name} than oil can hold.")
    fell = [symbols[g] for g in np.flatnonzero(changes.fell[row])] if changes.suspect[row] else []
    if fell and not doubts:
        doubts.append(
            f"{', '.join(fell)} fell by more than measurement can explain, with no degassing on record: air, a leak "
            "of the sample, or work that was not recorded."
        )
    for text in doubts:
        yield Finding(
            "quality", Severity.INFORMATION, text, source="IEEE C57.104-2019, 5.1", provenance="standard"
        )
