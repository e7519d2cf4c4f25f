"""What each diagnostic method says of one row, with the ratios or shares that led to it, or why it is silent."""

from typing import Final

import numpy as np

from app.domain.findings import MethodCall
from app.domain.judging.engine import Judgement
from app.domain.judging.rules.increments import Increment
from app.domain.judging.rules.patterns import KEY_GASES, Bar, CaseCalls, ZoneCalls
from app.science.diagnosis.ratios import (
    DOERNENBURG_FAULTS,
    DOERNENBURG_STEPS,
    IEC_60599_CASES,
    KEY_GAS_CASES,
    ROGERS_CASES,
)
from app.science.quantities import BY_NAME, FAULT_GASES, NORM_GASES

METHOD_NAMES: Final = {
    "duval_triangle_1": "Duval triangle 1",
    "duval_triangle_4": "Duval triangle 4",
    "duval_triangle_5": "Duval triangle 5",
    "duval_pentagon_1": "Duval pentagon 1",
    "duval_pentagon_2": "Duval pentagon 2",
    "iec_60599_ratios": "IEC 60599 ratios",
    "rogers_ratios": "Rogers ratios",
    "doernenburg_ratios": "Doernenburg ratios",
    "key_gas": "Key gas",
}

_WORDS: Final = {
    Bar.ALL_TYPICAL: "no fault gas is above its typical value, so no fault is named (IEEE C57.104-2019, 5.2.1)",
    Bar.NO_GAS: "none of its gases was found",
    Bar.NO_CASE: "the ratios fit no row of the table",
    Bar.NEAR_DETECTION: "all its gases are below five times their detection limits (IEEE C57.104-2019, 5.2.1)",
    Bar.NOT_CALLED: "Duval triangle 1 does not call for it (IEEE C57.104-2019, D.4)",
    Bar.NO_REFERENCE: "there is no earlier sample to compare with",
    Bar.NO_NORM: "no norm applies to this oil, so no fault is named",
    Bar.NO_INCREASE: "fewer than two fault gases increased by more than measurement can explain",
}


def methods_of(judgement: Judgement, row: int) -> dict[str, MethodCall]:
    """All methods on the level."""
    p = judgement.patterns
    return {
        "duval_triangle_1": _zone_call(judgement, row, p.triangle_1),
        "duval_triangle_4": _zone_call(judgement, row, p.triangle_4),
        "duval_triangle_5": _zone_call(judgement, row, p.triangle_5),
        "duval_pentagon_1": _zone_call(judgement, row, p.pentagon_1),
        "duval_pentagon_2": _zone_call(judgement, row, p.pentagon_2),
        "iec_60599_ratios": _iec_call(judgement, row),
        "rogers_ratios": _rogers_call(judgement, row),
        "doernenburg_ratios": _doernenburg_call(judgement, row),
        "key_gas": _key_gas_call(judgement, row),
    }


def increments_of(judgement: Judgement, row: int) -> dict[str, MethodCall]:
    """The zone methods on the new gas alone: since the reference sample and since the baseline began."""
    found = {}
    pairs = (
        ("since_reference", judgement.increments.since_reference),
        ("since_baseline", judgement.increments.since_baseline),
    )
    for name, increment in pairs:
        found[f"duval_triangle_1/{name}"] = _increment_call(increment, increment.triangle_1, row)
        found[f"duval_pentagon_1/{name}"] = _increment_call(increment, increment.pentagon_1, row)
    return found


def _increment_call(increment: Increment, calls: ZoneCalls, row: int) -> MethodCall:
    bar = Bar(calls.bar[row])
    if bar is not Bar.NONE:
        return MethodCall(None, False, _WORDS[bar])
    columns = [NORM_GASES.index(g) for g in calls.gases]
    return _zone_words(calls, row, increment.gained[row, columns])


def _bar_words(judgement: Judgement, row: int, bar: Bar, gases: tuple[str, ...]) -> str:
    frame = judgement.frame
    if bar is Bar.MISSING:
        missing = [BY_NAME[g].symbol for g in gases if np.isnan(frame.column(g)[row])]
        return f"not measured: {', '.join(missing)}"
    if bar is Bar.CENSORED:
        hidden = [f"{BY_NAME[g].symbol} <{frame.column(g)[row]:g}" for g in gases if frame.censored(g)[row]]
        return f"the answer depends on a reading below its detection limit: {', '.join(hidden)}"
    return _WORDS[bar]


def _zone_call(judgement: Judgement, row: int, calls: ZoneCalls) -> MethodCall:
    bar = Bar(calls.bar[row])
    if bar is not Bar.NONE:
        return MethodCall(None, False, _bar_words(judgement, row, bar, calls.gases))
    return _zone_words(calls, row, np.array([judgement.frame.column(g)[row] for g in calls.gases]))


def _zone_words(
    calls: ZoneCalls, row: int, values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
) -> MethodCall:
    shares = 100.0 * values / values.sum()
    words = ", ".join(f"{BY_NAME[g].symbol} {s:.1f} %" for g, s in zip(calls.gases, shares, strict=True))
    return MethodCall(calls.zones[calls.zone[row]], True, words)


def _three_ratios(judgement: Judgement, row: int) -> str:
    h2, ch4, c2h6, c2h4, c2h2 = (float(judgement.frame.column(g)[row]) for g in FAULT_GASES)
    parts = (("C₂H₂/C₂H₄", c2h2, c2h4), ("CH₄/H₂", ch4, h2), ("C₂H₄/C₂H₆", c2h4, c2h6))
    return ", ".join(f"{name} {_ratio_words(a, b)}" for name, a, b in parts)


def _ratio_words(a: float, b: float) -> str:
    if b == 0:
        return "undefined (both zero)" if a == 0 else "infinite"
    return f"{a / b:.2g}"


def _iec_call(judgement: Judgement, row: int) -> MethodCall:
    bar = Bar(judgement.patterns.iec_bar[row])
    if bar not in {Bar.NONE, Bar.NO_CASE}:
        return MethodCall(None, False, _bar_words(judgement, row, bar, FAULT_GASES))
    words = _three_ratios(judgement, row)
    if bar is Bar.NO_CASE:
        return MethodCall(None, False, f"the ratios fit no row of the table ({words})")
    cases = [c for c, hit in zip(IEC_60599_CASES, judgement.patterns.iec_cases[row], strict=True) if hit]
    if len(cases) > 1:
        words += "; the table's rows overlap here"
    return MethodCall("/".join(cases), True, words)


def _case_call(
    judgement: Judgement, row: int, calls: CaseCalls, gases: tuple[str, ...], detail: tuple[str, str]
) -> MethodCall | None:
    """The silent cases that ratio methods share; None where the method speaks."""
    bar = Bar(calls.bar[row])
    if bar is Bar.NONE:
        return None
    why = _bar_words(judgement, row, bar, gases)
    no_case, words = detail
    if bar is Bar.NO_CASE:
        why = f"{no_case} ({words})" if words else no_case
    return MethodCall(None, False, why)


def _rogers_call(judgement: Judgement, row: int) -> MethodCall:
    calls, words = judgement.patterns.rogers, _three_ratios(judgement, row)
    silent = _case_call(judgement, row, calls, FAULT_GASES, ("the ratios fit no case of the table", words))
    return silent or MethodCall(f"{calls.case[row]} {ROGERS_CASES[calls.case[row]]}", True, words)


def _doernenburg_call(judgement: Judgement, row: int) -> MethodCall:
    calls = judgement.patterns.doernenburg
    h2, ch4, c2h6, c2h4, c2h2 = (float(judgement.frame.column(g)[row]) for g in FAULT_GASES)
    parts = (
        ("CH₄/H₂", ch4, h2),
        ("C₂H₂/C₂H₄", c2h2, c2h4),
        ("C₂H₂/CH₄", c2h2, ch4),
        ("C₂H₆/C₂H₂", c2h6, c2h2),
    )
    words = ", ".join(f"{name} {_ratio_words(a, b)}" for name, a, b in parts)
    step = DOERNENBURG_STEPS[judgement.patterns.doernenburg_step[row]]
    silent = _case_call(judgement, row, calls, FAULT_GASES, (f"validity test: {step}", words))
    return silent or MethodCall(DOERNENBURG_FAULTS[calls.case[row]], True, words)


def _key_gas_call(judgement: Judgement, row: int) -> MethodCall:
    calls, match = judgement.patterns.key_gas, float(judgement.patterns.key_gas_match[row])
    words = "" if np.isnan(match) else f"best match {match:.0f} %"
    silent = _case_call(judgement, row, calls, KEY_GASES, ("the shares resemble no profile", words))
    return silent or MethodCall(KEY_GAS_CASES[calls.case[row]], True, f"match {match:.0f} % with its profile")


def applicable_codes(calls: dict[str, MethodCall]) -> dict[str, str]:
    """Codes of the methods that speak, by method."""
    return {name: call.code for name, call in calls.items() if call.applicable and call.code}
