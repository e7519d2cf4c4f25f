"""The fault call of one row: which fault, how sure, on what basis, and where the witnesses disagree.

The probabilities are those of ``science/fault_call`` (triangle 1 and pentagon 2, calibrated on labelled cases), on
the zone probabilities of :mod:`app.domain.judging.rules.certainty`. When the new gas since the last sample tells a
fault, that is judged first, since old gas hides a new fault; the level's own call is then told beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from app.domain.findings import FaultCall
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Bools, Floats
from app.domain.judging.methods import METHODS, duval_triangle_1
from app.domain.judging.methods.method import Answers
from app.domain.judging.reporting.findings import tap_changer_gas
from app.domain.judging.reporting.methods import codes_of
from app.domain.judging.rules.certainty import Certainties
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.rules.levels import RAISED
from app.science.diagnosis.fault_call import FAULT_CLASSES, disagreement, fault_probabilities
from app.science.quantities import FAULT_GASES, NORM_GASES

FAULT_NAMES: Final = {
    "PD": "partial discharge",
    "D1": "low-energy discharge",
    "D2": "high-energy discharge",
    "T1": "thermal fault below 300 °C",
    "T2": "thermal fault between 300 and 700 °C",
    "T3": "thermal fault above 700 °C",
    "T1/T2": "thermal fault below 700 °C",
    "S": "stray gassing of oil below 200 °C",
}
"""After IEC 60599 and, for S, IEEE C57.104-2019 Annex D."""

FAMILIES: Final = {
    **dict.fromkeys(("PD", "D1", "D2"), "electrical"),
    **dict.fromkeys(("T1", "T2", "T3", "T1/T2"), "thermal"),
}
MIXED: Final = 0.5
"""Share of contradicting evidence from which a mixture is named."""


Evidence = dict[str, Floats]
"""Probability of each zone, by the argument of ``fault_probabilities`` that it is; zeros where a method is silent."""

WEIGHED: Final = {m.fault.weighed_as: m for m in METHODS if m.fault.weighed_as is not None}
SUPPORTING: Final = tuple(m for m in METHODS if m.fault.supports)
WITNESSES: Final = tuple(m for m in METHODS if m.fault.witness)
STRAY: Final = tuple(m for m in METHODS if m.fault.stray)


@dataclass(frozen=True)
class _Call:
    """A fault that is called, with what it was drawn from.

    Attributes:
        chances: (5,) probability of each of ``FAULT_CLASSES``.
        codes: what each method that speaks says of the level.
        increment: of the new gas alone, None where the call rests on the level.
    """

    code: str
    chances: Floats
    codes: Mapping[str, str]
    level: Evidence
    increment: Evidence | None

    @property
    def evidence(self) -> Evidence:
        """What the call rests on."""
        return self.level if self.increment is None else self.increment


def fault_of(judgement: Judgement, row: int, certainties: Certainties | None) -> FaultCall | None:
    """The call, or None at status 1 and where no method may speak.

    ``certainties`` holds this row alone; without it the zones count as certain.
    """
    call = _call(judgement, row, certainties)
    if call is None:
        return None
    stray = call.code == "S"
    return FaultCall(
        code=call.code,
        name=FAULT_NAMES[call.code],
        agreement=_agreement(call),
        confidence=None if stray else round(float(call.chances.max()), 3),
        probabilities={}
        if stray
        else {c: round(float(p), 3) for c, p in zip(FAULT_CLASSES, call.chances, strict=True)},
        basis="level" if call.increment is None else "increment",
        mixture=_contamination(judgement, row, call.code)
        or _hydrogen_alone(judgement, row, call.code)
        or _mixture(call),
    )


def fault_code(judgement: Judgement, row: int) -> str | None:
    """The code of the call without draws; rows of the same :func:`fault_signs` and a status above 1 have the same."""
    call = _call(judgement, row, None)
    return None if call is None else call.code


def fault_signs(judgement: Judgement) -> Bools:
    """(n, signs) everything that the code of a call without draws hangs on, beside the status."""
    since = judgement.increments.since_reference.answers
    columns = [judgement.patterns[m.name].held for m in METHODS if m.fault.decides]
    columns += [since[m.name].held for m in WEIGHED.values()]
    columns.append(judgement.levels.level[:, [ACETYLENE]] >= RAISED)
    return np.concatenate(columns, axis=1)


def _call(judgement: Judgement, row: int, certainties: Certainties | None) -> _Call | None:
    if judgement.changes.status[row] <= 1:
        return None
    level = _evidence(judgement.patterns, row)
    if certainties is not None:
        # a zone that hangs on a detection limit is told among the probabilities, but names no fault
        drawn = {name: certainties.zones[m.name][0] for name, m in WEIGHED.items()}
        level = {name: drawn[name] if level[name].any() else level[name] for name in level}
    new_gas = _evidence(judgement.increments.since_reference.answers, row)
    increment = new_gas if all(zones.any() for zones in new_gas.values()) else None
    evidence = increment or level
    if not any(zones.any() for zones in evidence.values()):
        return None
    chances = fault_probabilities(**evidence)
    codes = codes_of(judgement, row)
    likeliest = _likeliest(chances) if increment else _supported(chances, codes)
    if likeliest is None:
        return None
    code = _refined(likeliest, evidence)
    if judgement.levels.level[row, ACETYLENE] < RAISED:
        code = _stray(code, codes)
    return _Call(code, chances, codes, level, increment)


def _evidence(answers: Mapping[str, Answers], row: int) -> Evidence:
    return {name: answers[m.name].held[row].astype(np.float64) for name, m in WEIGHED.items()}


def _likeliest(chances: Floats) -> str:
    return FAULT_CLASSES[int(np.argmax(chances))]


def _supported(chances: Floats, codes: Mapping[str, str]) -> str | None:
    """The likeliest class that some method names."""
    order = [FAULT_CLASSES[i] for i in np.argsort(-chances)]
    said = [codes[m.name] for m in SUPPORTING if m.name in codes]
    named = {part for code in said for part in code.replace("T3-H", "T3").split("/")}
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


def _refined(code: str, evidence: Evidence) -> str:
    """T1/T2 told apart where the triangle does so."""
    if code != "T1/T2":
        return code
    zones = dict(zip(duval_triangle_1.METHOD.codes, evidence["triangle_1"], strict=True))
    best = max(("T1", "T2"), key=lambda zone: float(zones[zone]))
    return best if zones[best] > 0.5 else code


def _stray(code: str, codes: Mapping[str, str]) -> str:
    """Stray gassing, of which no labelled case exists: named when triangle 4 and pentagon 1 both say so."""
    if code in {"T1", "T2", "T1/T2", "PD"} and all(codes.get(m.name) == "S" for m in STRAY):
        return "S"
    return code


def _agreement(call: _Call) -> str:
    """Who says so and who says otherwise."""
    wanted = set(call.code.split("/"))
    same, other = [], []
    for method in WITNESSES:
        said = call.codes.get(method.name)
        if said is None:
            continue
        if wanted & set(said.split("/")):
            same.append(method.title)
        else:
            other.append(f"{method.title} says {said}")
    if call.increment is not None:
        lead = "from the new gas alone"
    elif len(same) > 1:
        lead = f"{' and '.join(', '.join(same).rsplit(', ', 1))} agree"
    else:
        lead = f"{same[0]} alone says so" if same else "no single method names it; it is the likeliest of all"
    if other and call.increment is not None:
        other = ["on the level " + ", ".join(other)]
    return "; ".join([lead, *other])


def _contamination(judgement: Judgement, row: int, code: str) -> str | None:
    """In words, where a discharge pattern may be the tap changer's gas."""
    if code not in {"D1", "D2"} or not tap_changer_gas(judgement, row):
        return None
    return (
        "the acetylene may come from the tap changer: compare with its oil before a fault in the tank is believed "
        "(IEEE C57.104-2019, D.9.2)"
    )


def _mixture(call: _Call) -> str | None:
    """In words, where electrical and thermal evidence stand against one another."""
    if float(disagreement(**call.evidence)) >= MIXED:
        said = ", ".join(f"{m.title} {call.codes[m.name]}" for m in WEIGHED.values() if m.name in call.codes)
        said = f" ({said})" if said else ""
        return f"thermal and electrical signs together{said}: more than one fault may be at work"
    if call.increment is not None and any(zones.any() for zones in call.level.values()):
        now, before = _family(call.increment), _family(call.level)
        if now != before and None not in (now, before):
            return f"the new gas looks {now}, the whole {before}: a new fault may hide behind an older one"
    return None


def _family(evidence: Evidence) -> str | None:
    return FAMILIES.get(_likeliest(fault_probabilities(**evidence)))
