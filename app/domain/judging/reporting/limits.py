"""What a row is compared with: where each limit was read, what it is called, and findings against it."""

import numpy as np

from app.domain.findings import Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.norms import (
    AGES,
    IEC,
    IEEE_2008,
    OWNER,
    SIDES,
    Citation,
    norms_2008,
    norms_2019,
    norms_iec,
)
from app.science.norms.limits import limit as single_limit
from app.science.quantities import NORM_GASES


def column_words(judgement: Judgement, row: int) -> str:
    """Which column of the norm tables applies, in words."""
    if judgement.levels.norm_set[row] == IEEE_2008:
        return "conditions of IEEE C57.104-2008"
    if judgement.levels.norm_set[row] == IEC:
        return "typical values of IEC 60599, from memory"
    side, age = judgement.levels.side[row], judgement.levels.age[row]
    ratio = judgement.levels.oxygen_ratio[row]
    oxygen = "O₂/N₂ unknown, so the columns above 0.2" if np.isnan(ratio) else f"O₂/N₂ {ratio:.2f}"
    if not np.isnan(ratio) and SIDES[side] == "high" and ratio <= 0.2:
        oxygen += " hovering near 0.2, so the columns above 0.2"
    years = "age unknown" if AGES[age] == "unknown" else f"age {AGES[age]} years"
    return f"{oxygen}, {years}"


def level_citation(judgement: Judgement, row: int, g: int, *, high: bool) -> Citation:
    """Where the typical or high limit of a gas was read."""
    levels = judgement.levels
    gas = NORM_GASES[g]
    if _owned(judgement, row, g, high=high):
        return Citation(OWNER, "common practice", "set by the owner in the fleet file")
    if levels.norm_set[row] == IEEE_2008:
        return norms_2008().citations[gas]
    if levels.norm_set[row] == IEC:
        return norms_iec().citations[gas]
    return norms_2019().cite("2" if high else "1", gas, int(levels.side[row]), int(levels.age[row]))


def _owned(judgement: Judgement, row: int, g: int, *, high: bool) -> bool:
    """Whether a limit is the owner's: his own, or a published one that gave way to his other one."""
    levels = judgement.levels
    mine, other = levels.owner_typical[row, g], levels.owner_high[row, g]
    if high:
        mine, other = other, mine
    return bool(mine or (other and levels.typical[row, g] == levels.high[row, g]))


def limit_words(judgement: Judgement, row: int, g: int, *, high: bool) -> str:
    """What the limit is called that a level is compared with."""
    levels = judgement.levels
    if _owned(judgement, row, g, high=high):
        return "the owner's high limit" if high else "the owner's limit"
    if levels.norm_set[row] == IEEE_2008:
        return "condition 3" if high else "condition 1"
    if levels.norm_set[row] == IEC:
        return "the typical range"
    return "the 95th percentile" if high else "the 90th percentile"


def by_limit(
    rule: str, severity: Severity, text: str, value: float, name: str, quantity: str | None = None
) -> Finding:
    """A finding against a limit of the table of single limits."""
    found = single_limit(name)
    return Finding(
        rule,
        severity,
        text,
        quantity,
        rounded(value),
        found.value,
        found.unit,
        found.source,
        found.provenance,
    )


def by_norm(
    rule: str,
    severity: Severity,
    text: str,
    quantity: str,
    evidence: tuple[float, float, str],
    cite: Citation,
) -> Finding:
    """A finding against a norm: (value, limit, unit); a doubtful cell of a table is said to be so."""
    value, limit, unit = evidence
    if cite.note.startswith("doubtful"):
        text = f"{text[:-2]}; {cite.note})." if text.endswith(").") else f"{text} ({cite.note})"
    return Finding(rule, severity, text, quantity, rounded(value), limit, unit, cite.source, cite.provenance)


def rounded(value: float) -> float:
    """To six significant digits, as a finding keeps it."""
    return float(f"{value:.6g}")
