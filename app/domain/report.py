"""One sample's columns made into an Assessment: numbers first, then sentences made from the numbers."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from app.domain.engine import RULE_SET, Judgement
from app.domain.findings import Assessment, FaultCall, Finding, MethodCall, Rate, Severity
from app.domain.norms import AGES, NORM_SET, SIDES, Citation, norms_2019, span_column
from app.domain.rules.change import ACETYLENE
from app.domain.rules.levels import HIGH, RAISED, UNKNOWN
from app.domain.rules.patterns import Bar, ZoneCalls
from app.science.quantities import BY_NAME, FAULT_GASES, NORM_GASES
from app.science.ratios import IEC_60599_CASES

FAULT_NAMES: Final = {
    "PD": "partial discharge",
    "D1": "low-energy discharge",
    "D2": "high-energy discharge",
    "T1": "thermal fault below 300 °C",
    "T2": "thermal fault between 300 and 700 °C",
    "T3": "thermal fault above 700 °C",
    "DT": "thermal and electrical faults mixed",
    "S": "stray gassing of oil below 200 °C",
}

EXTREME: Final = {"c2h4": ("delta", 200.0), "c2h6": ("level", 1000.0)}
"""The examples of extreme results in IEEE C57.104-2019, 6.1.2 [µL/L]."""

SATURATION_NOTE = 30.0
"""[%] Relative saturation from which water in oil is pointed out (common practice, no source)."""


def report(judgement: Judgement, row: int) -> Assessment:
    """The assessment of one row of a judgement."""
    status = int(judgement.changes.status[row]) or None
    findings = tuple(_findings(judgement, row))
    return Assessment(
        status=status,
        suspect=bool(judgement.changes.suspect[row]),
        status_reasons=_status_reasons(judgement, row, findings),
        norm_set=NORM_SET,
        rule_set=RULE_SET,
        methods=_methods(judgement, row),
        rates=_rates(judgement, row),
        deltas=_deltas(judgement, row),
        nei_oil=_number(judgement.nei_oil[row], 3),
        relative_saturation=_number(judgement.relative_saturation[row], 2),
        fault=_fault(judgement, row, status),
        findings=findings,
    )


def _number(value: float, digits: int) -> float | None:
    return None if np.isnan(value) else round(float(value), digits)


# --- findings ---------------------------------------------------------------------------------------------


def _findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    for g, gas in enumerate(NORM_GASES):
        yield from _level_findings(judgement, row, g, gas)
        yield from _change_findings(judgement, row, g, gas)
    yield from _confirmation_findings(judgement, row)
    yield from _water_findings(judgement, row)


def _column_words(judgement: Judgement, row: int) -> str:
    side, age = judgement.levels.side[row], judgement.levels.age[row]
    ratio = judgement.levels.oxygen_ratio[row]
    oxygen = "O₂/N₂ unknown, so the columns above 0.2" if np.isnan(ratio) else f"O₂/N₂ {ratio:.2f}"
    if not np.isnan(ratio) and SIDES[side] == "high" and ratio <= 0.2:
        oxygen += " hovering near 0.2, so the columns above 0.2"
    years = "age unknown" if AGES[age] == "unknown" else f"age {AGES[age]} years"
    return f"{oxygen}, {years}"


def _level_findings(judgement: Judgement, row: int, g: int, gas: str) -> Iterator[Finding]:
    levels = judgement.levels
    side, age = int(levels.side[row]), int(levels.age[row])
    value = float(judgement.frame.values[row, g])
    symbol = BY_NAME[gas].symbol
    level = int(levels.level[row, g])
    if level >= RAISED:
        table, limit = ("2", levels.high[row, g]) if level == HIGH else ("1", levels.typical[row, g])
        cite = norms_2019().cite(table, gas, side, age)
        words = "above the 95th percentile of" if level == HIGH else "above the 90th percentile of"
        yield _finding(
            "level",
            Severity.HIGH if level == HIGH else Severity.INTERMEDIATE,
            f"{symbol} {value:g} µL/L is {words} {limit:g} µL/L ({_column_words(judgement, row)}).",
            gas,
            (value, float(limit), "µL/L"),
            cite,
        )
    elif level == UNKNOWN and judgement.frame.below[row, g]:
        cite = norms_2019().cite("1", gas, side, age)
        limit = float(levels.typical[row, g])
        yield _finding(
            "detection_limit",
            Severity.INFORMATION,
            f"{symbol} is below a detection limit of {value:g} µL/L, which is above its norm of {limit:g} µL/L: "
            "it cannot be judged.",
            gas,
            (value, limit, "µL/L"),
            cite,
        )
    kind, extreme = EXTREME.get(gas, ("", np.inf))
    shown = value if kind == "level" else float(judgement.changes.delta[row, g])
    if shown >= extreme:
        verb = "rose by" if kind == "delta" else "stands at"
        yield Finding(
            "extreme",
            Severity.HIGH,
            f"{symbol} {verb} {shown:g} µL/L, which the guide calls extreme: investigate at once.",
            gas,
            shown,
            extreme,
            "µL/L",
            "IEEE C57.104-2019, 6.1.2",
            "standard",
        )


def _change_findings(judgement: Judgement, row: int, g: int, gas: str) -> Iterator[Finding]:
    changes = judgement.changes
    side = int(judgement.levels.side[row])
    symbol = BY_NAME[gas].symbol
    if changes.delta_exceeds[row, g]:
        delta, limit = float(changes.delta[row, g]), float(norms_2019().delta[side, g])
        against = "the month that ended a month before" if judgement.frame.online[row] else "the last sample"
        norm = "any increase counts" if g == ACETYLENE else f"the norm is {limit:g} µL/L"
        yield _finding(
            "delta",
            Severity.INTERMEDIATE,
            f"{symbol} rose by {delta:.3g} µL/L against {against} ({norm}).",
            gas,
            (delta, limit, "µL/L"),
            norms_2019().cite("3", gas, side),
        )
    if changes.rate_exceeds[row, g]:
        rate, limit = float(changes.rate[row, g]), float(norms_2019().rate[side, _span(judgement, row, g), g])
        norm = "any increasing rate counts" if g == ACETYLENE else f"the norm is {limit:g}"
        yield _finding(
            "rate",
            Severity.HIGH,
            f"{symbol} rises by {rate:.3g} µL/L a year over {changes.rate_points[row, g]} points in "
            f"{changes.rate_span[row, g]:.0f} days ({norm}).",
            gas,
            (rate, limit, "µL/L/year"),
            norms_2019().cite("4", gas, side, _span(judgement, row, g)),
        )


def _span(judgement: Judgement, row: int, g: int) -> int:
    return int(span_column(judgement.changes.rate_span[row, g : g + 1])[0])


def _confirmation_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    changes = judgement.changes
    source, provenance = "IEEE C57.104-2019, 6.1.2", "standard"
    if changes.suspect[row]:
        text = "The change is not confirmed yet: take a confirmation sample within a month."
        if judgement.frame.online[row]:
            text = "The change is new today: it counts when readings a day later still show it."
            source, provenance = "common practice, no source", "common practice"
        yield Finding("confirm", Severity.INTERMEDIATE, text, source=source, provenance=provenance)
    if changes.confirmed[row] and not judgement.frame.online[row]:
        text = "This sample confirms the change that the one before it showed."
        yield Finding("confirmed", Severity.INTERMEDIATE, text, source=source, provenance=provenance)
    if changes.refuted[row]:
        text = (
            "This sample does not confirm the one before it, which takes no part in later deltas and rates."
        )
        yield Finding("refuted", Severity.INFORMATION, text, source=source, provenance=provenance)


def _water_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    saturation = float(judgement.relative_saturation[row])
    if saturation >= SATURATION_NOTE:
        water, temperature = (
            judgement.frame.column("water")[row],
            judgement.frame.column("oil_temperature")[row],
        )
        yield Finding(
            "relative_saturation",
            Severity.INFORMATION,
            f"Water {water:g} mg/kg at {temperature:g} °C is {saturation:.0f} % of saturation.",
            "water",
            round(saturation, 2),
            SATURATION_NOTE,
            "%",
            "common practice, no source",
            "common practice",
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
        text = f"{text[:-1]}; {cite.note})." if text.endswith(").") else f"{text} ({cite.note})"
    return Finding(
        rule, severity, text, quantity, float(f"{value:.6g}"), limit, unit, cite.source, cite.provenance
    )


def _status_reasons(judgement: Judgement, row: int, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    status = int(judgement.changes.status[row])
    if status == 0:
        return ("None of the seven norm gases has a number that can be judged.",)
    reasons = [f.text for f in findings if f.rule in {"level", "delta", "rate", "extreme"}]
    reasons += [f.text for f in findings if f.rule in {"confirm", "confirmed", "refuted"}]
    if status == 1 and not any(f.rule in {"level", "delta", "rate"} for f in findings):
        words = _column_words(judgement, row)
        reasons.insert(0, f"All gases measured are at or below their norms ({words}).")
    return tuple(reasons)


# --- numbers ----------------------------------------------------------------------------------------------


def _rates(judgement: Judgement, row: int) -> dict[str, Rate]:
    changes = judgement.changes
    return {
        gas: Rate(
            round(float(changes.rate[row, g]), 4),
            round(float(changes.rate_span[row, g]), 3),
            int(changes.rate_points[row, g]),
        )
        for g, gas in enumerate(NORM_GASES)
        if not np.isnan(changes.rate[row, g])
    }


def _deltas(judgement: Judgement, row: int) -> dict[str, float]:
    delta = judgement.changes.delta[row]
    return {gas: round(float(delta[g]), 4) for g, gas in enumerate(NORM_GASES) if not np.isnan(delta[g])}


# --- methods ----------------------------------------------------------------------------------------------


def _methods(judgement: Judgement, row: int) -> dict[str, MethodCall]:
    patterns = judgement.patterns
    return {
        "duval_triangle_1": _zone_call(judgement, row, patterns.triangle_1),
        "duval_pentagon_1": _zone_call(judgement, row, patterns.pentagon_1),
        "iec_60599_ratios": _iec_call(judgement, row),
    }


def _bar_words(judgement: Judgement, row: int, bar: int, gases: tuple[str, ...]) -> str:
    frame = judgement.frame
    if bar == Bar.MISSING:
        missing = [BY_NAME[g].symbol for g in gases if np.isnan(frame.column(g)[row])]
        return f"not measured: {', '.join(missing)}"
    if bar == Bar.ALL_TYPICAL:
        return "no fault gas is above Table 1, so no fault is named (IEEE C57.104-2019, 5.2.1)"
    if bar == Bar.CENSORED:
        hidden = [f"{BY_NAME[g].symbol} <{frame.column(g)[row]:g}" for g in gases if frame.censored(g)[row]]
        return f"the answer depends on a reading below its detection limit: {', '.join(hidden)}"
    if bar == Bar.NO_GAS:
        return "none of its gases was found"
    return "the ratios fit no row of the table"


def _zone_call(judgement: Judgement, row: int, calls: ZoneCalls) -> MethodCall:
    bar = int(calls.bar[row])
    if bar != Bar.NONE:
        return MethodCall(None, False, _bar_words(judgement, row, bar, calls.gases))
    values = np.array([judgement.frame.column(g)[row] for g in calls.gases])
    shares = 100.0 * values / values.sum()
    words = ", ".join(f"{BY_NAME[g].symbol} {s:.1f} %" for g, s in zip(calls.gases, shares, strict=True))
    return MethodCall(calls.zones[calls.zone[row]], True, words)


def _iec_call(judgement: Judgement, row: int) -> MethodCall:
    bar = int(judgement.patterns.iec_bar[row])
    if bar not in {Bar.NONE, Bar.NO_CASE}:
        return MethodCall(None, False, _bar_words(judgement, row, bar, FAULT_GASES))
    h2, ch4, c2h6, c2h4, c2h2 = (float(judgement.frame.column(g)[row]) for g in FAULT_GASES)
    parts = (("C₂H₂/C₂H₄", c2h2, c2h4), ("CH₄/H₂", ch4, h2), ("C₂H₄/C₂H₆", c2h4, c2h6))
    words = ", ".join(f"{name} {_ratio_words(a, b)}" for name, a, b in parts)
    if bar == Bar.NO_CASE:
        return MethodCall(None, False, f"the ratios fit no row of the table ({words})")
    cases = [c for c, hit in zip(IEC_60599_CASES, judgement.patterns.iec_cases[row], strict=True) if hit]
    if len(cases) > 1:
        words += "; the table's rows overlap here"
    return MethodCall("/".join(cases), True, words)


def _ratio_words(a: float, b: float) -> str:
    if b == 0:
        return "undefined (both zero)" if a == 0 else "infinite"
    return f"{a / b:.2g}"


def _fault(judgement: Judgement, row: int, status: int | None) -> FaultCall | None:
    """The fault named by the zone methods: triangle 1 first, pentagon 1 where the triangle does not apply.

    No fault is named at status 1, and none from a pattern where every fault gas is typical.
    """
    if status is None or status == 1:
        return None
    called = {name: call for name, call in _methods(judgement, row).items() if call.applicable and call.code}
    first = called.get("duval_triangle_1") or called.get("duval_pentagon_1")
    if first is None or first.code is None:
        return None
    same = [_METHOD_WORDS[n] for n, c in called.items() if first.code in (c.code or "").split("/")]
    other = [
        f"{_METHOD_WORDS[n]} says {c.code}"
        for n, c in called.items()
        if first.code not in (c.code or "").split("/")
    ]
    words = f"{', '.join(same)} {'agree' if len(same) > 1 else 'alone says so'}"
    if other:
        words += "; " + ", ".join(other)
    return FaultCall(first.code, FAULT_NAMES.get(first.code, first.code), words)


_METHOD_WORDS: Final = {
    "duval_triangle_1": "Duval triangle 1",
    "duval_pentagon_1": "Duval pentagon 1",
    "iec_60599_ratios": "IEC 60599 ratios",
}
