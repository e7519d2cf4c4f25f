"""The fault call of one row: which fault, how sure, on what basis, and where the witnesses disagree.

The probabilities are those of ``science/fault_call`` (triangle 1 and pentagon 2, calibrated on labelled cases), on
the zone probabilities of :mod:`app.domain.judging.rules.certainty`. When the new gas since the last sample tells a
fault, that is judged first, since old gas hides a new fault; the level's own call is then told beside it.
"""

from typing import Final

import numpy as np

from app.domain.findings import FaultCall, MethodCall
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Floats
from app.domain.judging.reporting.findings import tap_changer_gas
from app.domain.judging.reporting.methods import METHOD_NAMES, applicable_codes
from app.domain.judging.rules.certainty import Certainties
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.rules.levels import RAISED
from app.domain.judging.rules.patterns import ZoneCalls
from app.science.diagnosis.fault_call import FAULT_CLASSES, disagreement, fault_probabilities, one_hot
from app.science.quantities import FAULT_GASES, NORM_GASES

FAULT_NAMES: Final = {
    "PD": "partial discharge",
    "D1": "low-energy discharge",
    "D2": "high-energy discharge",
    "T1": "thermal fault below 300 °C",
    "T2": "thermal fault between 300 and 700 °C",
    "T3": "thermal fault above 700 °C",
    "T1/T2": "thermal fault below 700 °C",
    "DT": "thermal and electrical faults mixed",
    "S": "stray gassing of oil below 200 °C",
}
"""After IEC 60599 and, for S, IEEE C57.104-2019 Annex D."""

FAMILIES: Final = {
    **dict.fromkeys(("PD", "D1", "D2"), "electrical"),
    **dict.fromkeys(("T1", "T2", "T3", "T1/T2"), "thermal"),
}
MIXED: Final = 0.5
"""Share of contradicting evidence from which a mixture is named."""


def fault_of(
    judgement: Judgement, row: int, methods: dict[str, MethodCall], certainties: Certainties | None
) -> FaultCall | None:
    """The call, or None at status 1 and where no method may speak.

    ``certainties`` holds this row alone; without it the zones count as certain.
    """
    if judgement.changes.status[row] <= 1:
        return None
    patterns = judgement.patterns
    level = _zones(patterns.triangle_1, patterns.pentagon_2, row)
    if certainties is not None:
        # a zone that hangs on a detection limit is told among the probabilities, but names no fault
        drawn = (certainties.triangle_1[0], certainties.pentagon_2[0])
        level = tuple(d if e.any() else e for d, e in zip(drawn, level, strict=True))  # type: ignore[assignment]
    since = judgement.increments.since_reference
    increment = _zones(since.triangle_1, since.pentagon_2, row)
    basis, evidence = (
        ("increment", increment) if increment[0].any() and increment[1].any() else ("level", level)
    )
    if not (evidence[0].any() or evidence[1].any()):
        return None
    chances = fault_probabilities(triangle_1=evidence[0], pentagon_2=evidence[1])
    codes = applicable_codes(methods)
    likeliest = _supported(chances, codes, basis)
    if likeliest is None:
        return None
    code = _refined(likeliest, evidence[0], patterns.triangle_1.zones)
    if judgement.levels.level[row, ACETYLENE] < RAISED:
        code = _stray(code, codes)
    return FaultCall(
        code=code,
        name=FAULT_NAMES[code],
        agreement=_agreement(code, codes, basis),
        confidence=None if code == "S" else round(float(chances.max()), 3),
        probabilities={}
        if code == "S"
        else {c: round(float(p), 3) for c, p in zip(FAULT_CLASSES, chances, strict=True)},
        basis=basis,
        mixture=_contamination(judgement, row, code)
        or _hydrogen_alone(judgement, row, code)
        or _mixture(evidence, level if basis == "increment" else None, codes),
    )


def _zones(triangle: ZoneCalls, pentagon: ZoneCalls, row: int) -> tuple[Floats, Floats]:
    return (
        one_hot(triangle.zone[row], triangle.zones),
        one_hot(pentagon.zone[row], pentagon.zones),
    )


def _supported(chances: Floats, codes: dict[str, str], basis: str) -> str | None:
    """The likeliest class that some method names; of the new gas alone, simply the likeliest."""
    order = [FAULT_CLASSES[i] for i in np.argsort(-chances)]
    if basis == "increment":
        return order[0]
    named = {part for code in codes.values() for part in code.replace("T3-H", "T3").split("/")}
    named |= {"T1/T2"} if named & {"T1", "T2"} else set()
    best = next((fault for fault in order if fault in named), None)
    # a class that a method names but that is much less likely than another is no better founded than that one
    return best if best is not None and chances[FAULT_CLASSES.index(best)] >= 0.5 * chances.max() else None


def _hydrogen_alone(judgement: Judgement, row: int, code: str) -> str | None:
    """In words, where hydrogen is the only raised gas: other causes than discharges are commoner."""
    raised = judgement.levels.level[row, [NORM_GASES.index(g) for g in FAULT_GASES]] >= RAISED
    if code != "PD" or not raised[0] or raised[1:].any():
        return None
    return (
        "hydrogen alone is often stray gassing of the oil, or comes of water on galvanized fittings and core steel "
        "(common practice, no source): look for those first"
    )


def _refined(code: str, triangle: Floats, zones: tuple[str, ...]) -> str:
    """T1/T2 told apart where the triangle does so."""
    if code != "T1/T2":
        return code
    chances = {zone: float(triangle[zones.index(zone)]) for zone in ("T1", "T2")}
    best = max(chances, key=lambda zone: chances[zone])
    return best if chances[best] > 0.5 else code


def _stray(code: str, codes: dict[str, str]) -> str:
    """Stray gassing, of which no labelled case exists: named when triangle 4 and pentagon 1 both say so."""
    if (
        code in {"T1", "T2", "T1/T2", "PD"}
        and codes.get("duval_triangle_4") == codes.get("duval_pentagon_1") == "S"
    ):
        return "S"
    return code


def _agreement(code: str, codes: dict[str, str], basis: str) -> str:
    """Who says so and who says otherwise."""
    speaking = ("duval_triangle_1", "duval_pentagon_1", "iec_60599_ratios")
    wanted = set(code.split("/"))
    same, other = [], []
    for name in speaking:
        if name not in codes:
            continue
        if wanted & set(codes[name].split("/")):
            same.append(METHOD_NAMES[name])
        else:
            other.append(f"{METHOD_NAMES[name]} says {codes[name]}")
    if basis == "increment":
        lead = "from the new gas alone"
    elif len(same) > 1:
        lead = f"{' and '.join(', '.join(same).rsplit(', ', 1))} agree"
    else:
        lead = f"{same[0]} alone says so" if same else "no single method names it; it is the likeliest of all"
    return "; ".join(
        [lead, *(["on the level " + ", ".join(other)] if other and basis == "increment" else other)]
    )


def _contamination(judgement: Judgement, row: int, code: str) -> str | None:
    """In words, where a discharge pattern may be the tap changer's gas."""
    if code not in {"D1", "D2", "DT"} or not tap_changer_gas(judgement, row):
        return None
    return (
        "the acetylene may come from the tap changer: compare with its oil before a fault in the tank is believed "
        "(IEEE C57.104-2019, D.9.2)"
    )


def _mixture(
    evidence: tuple[Floats, Floats], level: tuple[Floats, Floats] | None, codes: dict[str, str]
) -> str | None:
    """In words, where electrical and thermal evidence stand against one another."""
    if float(disagreement(triangle_1=evidence[0], pentagon_2=evidence[1])) >= MIXED:
        said = ", ".join(
            f"{METHOD_NAMES[n]} {codes[n]}" for n in ("duval_triangle_1", "duval_pentagon_2") if n in codes
        )
        said = f" ({said})" if said else ""
        return f"thermal and electrical signs together{said}: more than one fault may be at work"
    if level is not None and (level[0].any() or level[1].any()):
        now, before = (_family(e) for e in (evidence, level))
        if now != before and None not in (now, before):
            return f"the new gas looks {now}, the whole {before}: a new fault may hide behind an older one"
    return None


def _family(evidence: tuple[Floats, Floats]) -> str | None:
    return FAMILIES.get(
        FAULT_CLASSES[int(np.argmax(fault_probabilities(triangle_1=evidence[0], pentagon_2=evidence[1])))]
    )
