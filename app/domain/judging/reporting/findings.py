"""Findings of one row: each with its value, limit, unit, clause and one plain sentence."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from app.domain.findings import PRACTICE, Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.norms import (
    AGES,
    BARRED,
    IEC,
    IEEE_2008,
    OWNER,
    SIDES,
    Citation,
    norms_2008,
    norms_2019,
    norms_iec,
    span_column,
)
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.rules.extreme import EXTREME
from app.domain.judging.rules.levels import HIGH, RAISED, UNKNOWN
from app.domain.writing import written
from app.science.norms.limits import beyond
from app.science.norms.limits import limit as single_limit
from app.science.quantities import BY_NAME, FAULT_GASES, NAMES, NORM_GASES

GUIDE: Final = "IEEE C57.104-2019"


def findings_of(judgement: Judgement, row: int) -> Iterator[Finding]:
    """All findings of a row, gas by gas, then of the sample as a whole."""
    for g, gas in enumerate(NORM_GASES):
        yield from _level_findings(judgement, row, g, gas)
        yield from _change_findings(judgement, row, g, gas)
    yield from _confirmation_findings(judgement, row)
    yield from _quality_findings(judgement, row)
    yield from _ratio_findings(judgement, row)
    yield from _water_findings(judgement, row)


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
    owned = levels.owner_high if high else levels.owner_typical
    gas = NORM_GASES[g]
    if owned[row, g]:
        return Citation(OWNER, "common practice", "set by the owner in the fleet file")
    if levels.norm_set[row] == IEEE_2008:
        return norms_2008().citations[gas]
    if levels.norm_set[row] == IEC:
        return norms_iec().citations[gas]
    return norms_2019().cite("2" if high else "1", gas, int(levels.side[row]), int(levels.age[row]))


def _limit_words(judgement: Judgement, row: int, g: int, *, high: bool) -> str:
    levels = judgement.levels
    owned = levels.owner_high if high else levels.owner_typical
    if owned[row, g]:
        return "the owner's high limit" if high else "the owner's limit"
    if levels.norm_set[row] == IEEE_2008:
        return "condition 3" if high else "condition 1"
    if levels.norm_set[row] == IEC:
        return "the typical range"
    return "the 95th percentile" if high else "the 90th percentile"


def _level_findings(judgement: Judgement, row: int, g: int, gas: str) -> Iterator[Finding]:
    levels = judgement.levels
    value = float(judgement.frame.values[row, g])
    symbol = BY_NAME[gas].symbol
    level = int(levels.level[row, g])
    if level >= RAISED:
        high = level == HIGH
        limit = float(levels.high[row, g] if high else levels.typical[row, g])
        yield _finding(
            "level",
            Severity.HIGH if high else Severity.INTERMEDIATE,
            f"{symbol} {written(value, 5)} µL/L is above {_limit_words(judgement, row, g, high=high)} of "
            f"{limit:g} µL/L ({column_words(judgement, row)}).",
            gas,
            (value, limit, "µL/L"),
            level_citation(judgement, row, g, high=high),
        )
    elif level == UNKNOWN and judgement.frame.below[row, g]:
        limit = float(levels.typical[row, g])
        yield _finding(
            "detection_limit",
            Severity.INFORMATION,
            f"{symbol} is below a detection limit of {value:g} µL/L, which is above its norm of {limit:g} µL/L: "
            "it cannot be judged.",
            gas,
            (value, limit, "µL/L"),
            level_citation(judgement, row, g, high=False),
        )
    if gas in EXTREME:
        kind, name = EXTREME[gas]
        shown = value if kind == "level" else float(judgement.changes.delta[row, g])
        if shown >= single_limit(name).value:  # the guide's examples are values reached, not passed
            verb = "rose by" if kind == "delta" else "stands at"
            text = f"{symbol} {verb} {written(shown, 4)} µL/L, which is extreme: investigate at once."
            yield _by_limit("extreme", Severity.HIGH, text, shown, name, gas)


def _change_findings(judgement: Judgement, row: int, g: int, gas: str) -> Iterator[Finding]:
    changes = judgement.changes
    side = int(judgement.levels.side[row])
    symbol = BY_NAME[gas].symbol
    if changes.delta_exceeds[row, g]:
        delta, limit = float(changes.delta[row, g]), float(norms_2019().delta[side, g])
        against = (
            "the month that ended a month before" if judgement.frame.online[row] else "the reference sample"
        )
        norm = "any increase counts" if g == ACETYLENE else f"the norm is {limit:g} µL/L"
        yield _finding(
            "delta",
            Severity.INTERMEDIATE,
            f"{symbol} rose by {written(delta, 3)} µL/L against {against} ({norm}).",
            gas,
            (delta, limit, "µL/L"),
            norms_2019().cite("3", gas, side),
        )
    if changes.rate_exceeds[row, g]:
        span = int(span_column(changes.rate_span[row, g : g + 1])[0])
        rate, limit = float(changes.rate[row, g]), float(norms_2019().rate[side, span, g])
        norm = "any increasing rate counts" if g == ACETYLENE else f"the norm is {limit:g}"
        yield _finding(
            "rate",
            Severity.HIGH,
            f"The multi-point rate of {symbol} is {written(rate, 3)} µL/L a year over "
            f"{changes.rate_points[row, g]} points in {changes.rate_span[row, g]:.0f} days ({norm}).",
            gas,
            (rate, limit, "µL/L/year"),
            norms_2019().cite("4", gas, side, span),
        )


def _confirmation_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    changes = judgement.changes
    clause = f"{GUIDE}, 6.1.2"
    suspect = bool(changes.suspect[row]) and not changes.dropped[row]
    if suspect and judgement.frame.online[row]:
        text = "The change is new today: it counts when readings a day later still show it."
        yield Finding("confirm", Severity.INTERMEDIATE, text, source=PRACTICE, provenance="common practice")
    elif suspect:
        text = "The change is not confirmed yet: take a confirmation sample within a month."
        yield Finding("confirm", Severity.INTERMEDIATE, text, source=clause, provenance="standard")
    if changes.confirmed[row] and not judgement.frame.online[row]:
        text = "This sample confirms the change that the one before it showed."
        yield Finding("confirmed", Severity.INTERMEDIATE, text, source=clause, provenance="standard")
    if changes.dropped[row]:
        text = "A later sample did not confirm this one; it takes no part in later deltas and rates."
        yield Finding("dropped", Severity.INFORMATION, text, source=clause, provenance="standard")
    if changes.refuted[row]:
        text = (
            "This sample does not confirm the one before it, which takes no part in later deltas and rates."
        )
        yield Finding("refuted", Severity.INFORMATION, text, source=clause, provenance="standard")


def _quality_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Doubts about the sample itself."""
    quality, changes = judgement.quality, judgement.changes
    symbols = [BY_NAME[g].symbol for g in NORM_GASES]
    doubts: list[str] = []
    if quality.nothing[row]:
        doubts.append("Every gas is zero: a failed analysis or an empty form rather than oil.")
    if quality.air[row]:
        doubts.append("Hydrogen fell while O₂/N₂ rose: air may have got into the sample.")
    if quality.loss[row]:
        doubts.append("Hydrogen fell by half while methane stayed: gas may have been lost from the sample.")
    if quality.repeat[row]:
        doubts.append("Every figure equals the report before it: it may be a copy.")
    for g in np.flatnonzero(quality.digit[row]):
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
        yield Finding("quality", Severity.INFORMATION, text, source=f"{GUIDE}, 5.1", provenance="standard")


def _ratio_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Ratios that point to paper, oxidation or the tap changer."""
    frame = judgement.frame

    def number(gas: str) -> float:
        i = NAMES.index(gas)
        return float("nan") if frame.below[row, i] else float(frame.values[row, i])

    co, co2, c2h2, h2 = (number(g) for g in ("co", "co2", "c2h2", "h2"))
    fault_columns = [NORM_GASES.index(g) for g in FAULT_GASES]
    hydrocarbons = bool((judgement.levels.level[row, fault_columns] >= RAISED).any())
    carbon = co2 / co if co > 0 else float("nan")
    if beyond("paper_carbonized", carbon) and (hydrocarbons or beyond("oil_oxidation", co)):
        meaning = "with raised hydrocarbons paper may be involved"
        if not hydrocarbons:
            meaning = "without hydrocarbons: oil oxidation"
        text = f"CO₂/CO is {carbon:.2g}, below {single_limit('paper_carbonized').value:g}; {meaning}."
        yield _by_limit("co2_co", Severity.INFORMATION, text, carbon, "paper_carbonized")
    if beyond("paper_slow_co2", co2) and beyond("paper_slow", carbon):
        shown = f"CO₂ is {written(co2, 5)} µL/L and CO₂/CO {written(carbon, 3)}"
        text = f"{shown}: slow ageing of paper; furans would tell."
        yield _by_limit("co2_co", Severity.INFORMATION, text, carbon, "paper_slow")
    if tap_changer_gas(judgement, row):
        most = single_limit("tap_changer_gas").value
        text = (
            f"C₂H₂/H₂ is {c2h2 / h2:.2g}, above {most:g}: the gas may come from the tap changer rather than from a "
            "fault."
        )
        yield _by_limit("tap_changer", Severity.INFORMATION, text, c2h2 / h2, "tap_changer_gas")


def tap_changer_gas(judgement: Judgement, row: int) -> bool:
    """Whether raised acetylene with little hydrogen looks like the tap changer's gas in the main tank (D.9.2)."""
    frame, hydrogen = judgement.frame, NORM_GASES.index("h2")
    h2, c2h2 = float(frame.values[row, hydrogen]), float(frame.values[row, ACETYLENE])
    if frame.below[row, hydrogen] or frame.below[row, ACETYLENE] or not h2 > 0:
        return False
    raised = judgement.levels.level[row, ACETYLENE] >= RAISED
    return bool(raised and beyond("tap_changer_gas", c2h2 / h2))


def _by_limit(
    rule: str, severity: Severity, text: str, value: float, name: str, quantity: str | None = None
) -> Finding:
    """A finding against a limit of the table of single limits."""
    found = single_limit(name)
    return Finding(
        rule,
        severity,
        text,
        quantity,
        _rounded(value),
        found.value,
        found.unit,
        found.source,
        found.provenance,
    )


def _water_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    saturation = float(judgement.relative_saturation[row])
    if beyond("water_saturation", saturation):
        water, temperature = (
            judgement.frame.column("water")[row],
            judgement.frame.column("oil_temperature")[row],
        )
        text = f"Water {water:g} mg/kg at {temperature:g} °C is {saturation:.0f} % of saturation."
        yield _by_limit(
            "relative_saturation", Severity.INFORMATION, text, saturation, "water_saturation", "water"
        )


def _finding(
    rule: str,
    severity: Severity,
    text: str,
    quantity: str,
    evidence: tuple[float, float, str],
    cite: Citation,
) -> Finding:
    value, limit, unit = evidence
    if cite.note.startswith("doubtful"):
        text = f"{text[:-2]}; {cite.note})." if text.endswith(").") else f"{text} ({cite.note})"
    return Finding(rule, severity, text, quantity, _rounded(value), limit, unit, cite.source, cite.provenance)


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def status_reasons(judgement: Judgement, row: int, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    """Why the status is what it is, in sentences."""
    status = int(judgement.changes.status[row])
    barred = int(judgement.levels.barred[row])
    if barred:
        return (f"No status: {BARRED[barred]}.",)
    if status == 0:
        return ("None of the seven norm gases has a number that can be judged.",)
    reasons = [f.text for f in findings if f.rule in {"level", "delta", "rate", "extreme"}]
    reasons += [f.text for f in findings if f.rule in {"confirm", "confirmed", "refuted", "dropped"}]
    if status == 1 and not any(f.rule in {"level", "delta", "rate"} for f in findings):
        words = column_words(judgement, row)
        reasons.insert(0, f"All gases that can be judged are at or below their norms ({words}).")
    return tuple(reasons)
