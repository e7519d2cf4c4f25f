"""The fault call of one row: which fault, how sure, on what basis, where the witnesses disagree; or why none is named.

The probabilities are those of ``science/fault_call`` (triangle 1 and pentagon 2, calibrated on labelled cases), on
the zone probabilities of :mod:`app.domain.judging.rules.certainty`. When the new gas since the last sample tells a
fault, that is judged first, since old gas hides a new fault; the level's own call is then told beside it.

No discharge is named without acetylene: with hardly any, the place in a figure hangs on two gases that do not tell one.
Where thermal and electrical evidence stand against one another, the mixture is the name.
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
from app.domain.judging.reporting.fault_causes import other_cause
from app.domain.judging.reporting.methods import codes_of, why_silent
from app.domain.judging.rules.certainty import Certainties
from app.domain.judging.rules.change import ACETYLENE
from app.science.diagnosis.fault_call import FAULT_CLASSES, disagreement, fault_probabilities
from app.science.measuring.uncertainty import LABORATORY_RELATIVE_SD, parameter
from app.science.norms.limits import limit

FAULT_NAMES: Final = {
    "PD": "partial discharge",
    "D1": "low-energy discharge",
    "D2": "high-energy discharge",
    "DT": "discharge and thermal fault together",
    "T1": "thermal fault below 300 °C",
    "T2": "thermal fault between 300 and 700 °C",
    "T3": "thermal fault above 700 °C",
    "T1/T2": "thermal fault below 700 °C",
}
"""After IEC 60599; DT is a zone of Duval's triangle 1 (IEEE C57.104-2019, D.4)."""

FAMILIES: Final = {
    **dict.fromkeys(("PD", "D1", "D2"), "electrical"),
    **dict.fromkeys(("T1", "T2", "T3", "T1/T2"), "thermal"),
}
DISCHARGES: Final = ("D1", "D2", "DT")
"""What is not named without acetylene."""
MIXED: Final = 0.5
"""Share of contradicting evidence from which a mixture is named."""


Evidence = dict[str, Floats]
"""Probability of each zone, by the argument of ``fault_probabilities`` that it is; zeros where a method is silent."""

WEIGHED: Final = {m.fault.weighed_as: m for m in METHODS if m.fault.weighed_as is not None}
SUPPORTING: Final = tuple(m for m in METHODS if m.fault.supports)
WITNESSES: Final = tuple(m for m in METHODS if m.fault.witness)


@dataclass(frozen=True)
class _Call:
    """A fault that is called, with what it was drawn from.

    Attributes:
        chances: (5,) probability of each of ``FAULT_CLASSES``.
        codes: what each method that speaks says of the level.
        mixed: thermal and electrical evidence stand against one another.
        increment: of the new gas alone, None where the call rests on the level.
    """

    code: str
    chances: Floats
    codes: Mapping[str, str]
    mixed: bool
    level: Evidence
    increment: Evidence | None


def fault_of(
    judgement: Judgement, row: int, certainties: Certainties | None
) -> tuple[FaultCall | None, str | None]:
    """The call, or why none is named, in words; neither at status 1 and where there is no status.

    ``certainties`` holds this row alone; without it the zones count as certain.
    """
    call = _call(judgement, row, certainties)
    if not isinstance(call, _Call):
        return None, call
    electrical = call.mixed or _family(call.level, judgement, row) == "electrical"
    cause = other_cause(judgement, row, call.code, call.codes, electrical=electrical)
    believed = parameter("other_cause") if cause is not None and cause.likely else 1.0
    named = FaultCall(
        code=call.code,
        name=FAULT_NAMES[call.code],
        agreement=_agreement(call),
        confidence=None if call.code == "DT" else round(believed * _chance(call), 3),
        probabilities={c: round(float(p), 3) for c, p in zip(FAULT_CLASSES, call.chances, strict=True)},
        basis="level" if call.increment is None else "increment",
        mixture=_mixture(call, judgement, row),
        other_cause=None if cause is None else cause.words,
        other_cause_source=None if cause is None else cause.source,
    )
    return named, None


def _chance(call: _Call) -> float:
    """Probability of the class that the code belongs to."""
    name = next(f for f in FAULT_CLASSES if call.code == f or call.code in f.split("/"))
    return float(call.chances[FAULT_CLASSES.index(name)])


def fault_code(judgement: Judgement, row: int) -> str | None:
    """The code of the call without draws; rows of the same :func:`fault_signs` and a status above 1 have the same."""
    call = _call(judgement, row, None)
    return call.code if isinstance(call, _Call) else None


def fault_signs(judgement: Judgement) -> Bools:
    """(n, signs) everything that the code of a call without draws hangs on, beside the status."""
    since = judgement.increments.since_reference
    columns = [judgement.patterns[m.name].held for m in METHODS if m.fault.decides]
    columns += [since.answers[m.name].held for m in WEIGHED.values()]
    columns += [_seen(judgement)[:, None], _gained(judgement)[:, None]]
    return np.concatenate(columns, axis=1)


def _seen(judgement: Judgement, rows: slice = slice(None)) -> Bools:
    """Where acetylene is more than can be told from none."""
    value, below = judgement.frame.values[rows, ACETYLENE], judgement.frame.below[rows, ACETYLENE]
    return np.asarray((value >= limit("acetylene_seen").value) & ~below)


def _gained(judgement: Judgement, rows: slice = slice(None)) -> Bools:
    """Where acetylene grew by more than measurement explains and than can be told from none."""
    gained = judgement.increments.since_reference.gained[rows, ACETYLENE]
    noise = 3.0 * np.sqrt(2.0) * LABORATORY_RELATIVE_SD * judgement.frame.values[rows, ACETYLENE]
    return np.asarray(gained >= np.maximum(limit("acetylene_seen").value, noise))


def _call(judgement: Judgement, row: int, certainties: Certainties | None) -> "_Call | str | None":
    if judgement.changes.status[row] <= 1:
        return None
    here = slice(row, row + 1)
    level = _evidence(judgement.patterns, row)
    if certainties is not None:
        # a zone that hangs on a detection limit is told among the probabilities, but names no fault
        drawn = {name: certainties.zones[m.name][0] for name, m in WEIGHED.items()}
        level = {name: drawn[name] if level[name].any() else level[name] for name in level}
    new_gas = _evidence(judgement.increments.since_reference.answers, row)
    increment = new_gas if all(zones.any() for zones in new_gas.values()) else None
    seen = bool((_seen if increment is None else _gained)(judgement, here)[0])
    evidence = increment or level
    spoken = any(zones.any() for zones in evidence.values())
    if not seen:
        evidence = _without(DISCHARGES, evidence)
        if increment is None:
            level = evidence
        else:
            increment = evidence
    if not any(zones.any() for zones in evidence.values()):
        return NO_ACETYLENE if spoken else why_silent(judgement, row, duval_triangle_1.METHOD)
    chances = fault_probabilities(**evidence, without_acetylene=not seen)
    codes = codes_of(judgement, row)
    mixed = bool(disagreement(**evidence) >= MIXED)
    if seen and float(disagreement(**_without(("PD",), evidence))) >= MIXED:
        return _Call("DT", chances, codes, mixed, level, increment)
    allowed = chances if seen else np.where(_IS_DISCHARGE, 0.0, chances)
    likeliest = _likeliest(allowed) if increment else _supported(allowed, codes)
    if likeliest is None:
        said = ", ".join(f"{m.title} says {codes[m.name]}" for m in SUPPORTING if m.name in codes)
        return f"no method names what is likeliest by all of them ({said})"
    return _Call(_refined(likeliest, evidence), chances, codes, mixed, level, increment)


NO_ACETYLENE: Final = (
    "the place in the figures is that of a discharge, but no acetylene was seen, without which none is named"
)
_IS_DISCHARGE: Final = np.array([fault in DISCHARGES for fault in FAULT_CLASSES])


def _without(left_out: tuple[str, ...], evidence: Evidence) -> Evidence:
    """Evidence without some zones; a method that has mostly those is silent."""
    found = {}
    for name, zones in evidence.items():
        kept = np.where([code in left_out for code in WEIGHED[name].codes], 0.0, zones)
        found[name] = kept / kept.sum() if kept.sum() >= 0.5 * zones.sum() > 0 else np.zeros(len(kept))
    return found


def _evidence(answers: Mapping[str, Answers], row: int) -> Evidence:
    return {name: answers[m.name].held[row].astype(np.float64) for name, m in WEIGHED.items()}


def _likeliest(chances: Floats) -> str:
    return FAULT_CLASSES[int(np.argmax(chances))]


def _supported(chances: Floats, codes: Mapping[str, str]) -> str | None:
    """The likeliest class that some method names, or the likeliest at all where it is more likely than not."""
    order = [FAULT_CLASSES[i] for i in np.argsort(-chances)]
    said = [codes[m.name] for m in SUPPORTING if m.name in codes]
    named = {part for code in said for part in code.replace("T3-H", "T3").split("/")}
    named |= {"T1/T2"} if named & {"T1", "T2"} else set()
    best = next((fault for fault in order if fault in named), None)
    # a class that a method names but that is much less likely than another is no better founded than that one
    if best is not None and chances[FAULT_CLASSES.index(best)] >= 0.5 * chances.max():
        return best
    return order[0] if chances.max() >= MIXED else None


def _refined(code: str, evidence: Evidence) -> str:
    """T1/T2 told apart where the triangle does so."""
    if code != "T1/T2":
        return code
    zones = dict(zip(duval_triangle_1.METHOD.codes, evidence["triangle_1"], strict=True))
    best = max(("T1", "T2"), key=lambda zone: float(zones[zone]))
    return best if zones[best] > 0.5 else code


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
        alone = (
            "the methods contradict one another"
            if call.mixed
            else "no single method names it; it is the likeliest of all"
        )
        lead = f"{same[0]} alone says so" if same else alone
    if other and call.increment is not None:
        other = ["on the level " + ", ".join(other)]
    return "; ".join([lead, *other])


def _mixture(call: _Call, judgement: Judgement, row: int) -> str | None:
    """In words, where electrical and thermal evidence stand against one another."""
    if call.mixed:
        said = ", ".join(f"{m.title} {call.codes[m.name]}" for m in WEIGHED.values() if m.name in call.codes)
        said = f" ({said})" if said else ""
        return f"thermal and electrical signs together{said}: more than one fault may be at work"
    if call.increment is not None and any(zones.any() for zones in call.level.values()):
        now, before = FAMILIES.get(call.code), _family(call.level, judgement, row)
        if now != before and None not in (now, before):
            return f"the new gas looks {now}, the whole {before}: a new fault may hide behind an older one"
    return None


def _family(level: Evidence, judgement: Judgement, row: int) -> str | None:
    """Of the likeliest fault by the level; None where the methods are silent."""
    seen = bool(_seen(judgement, slice(row, row + 1))[0])
    evidence = level if seen else _without(DISCHARGES, level)
    if not any(zones.any() for zones in evidence.values()):
        return None
    return FAMILIES.get(_likeliest(fault_probabilities(**evidence, without_acetylene=not seen)))
