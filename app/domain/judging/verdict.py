"""The verdict in words: status, fault, how sure, what changed, quality, water - each sentence with its evidence.

Made from an Assessment's data alone, so it can be made again, tested, and shown wherever the data are.
"""

from dataclasses import dataclass
from typing import Final

from app.domain.findings import PRACTICE, Assessment, FaultCall, Finding, Severity
from app.domain.judging.course.sentences import AT_REST
from app.domain.judging.norms import NORM_SET_NAMES
from app.domain.judging.reporting.paper import FORMULAS
from app.domain.judging.reporting.sentences import compared_with, pace, past_pace
from app.domain.judging.reporting.sentences_oil import dp_words
from app.domain.judging.status_words import STATUS_MEANING, STATUS_SOURCE
from app.domain.writing import chance, written
from app.science.quantities import BY_NAME

BESIDE: Final = ("own_record", "water", "oil", "paper")
"""The rules that speak beside the status, and of units that have none."""
WHY: Final = ("extreme", "level", "rate", "delta", "confirm", "confirmed", "restart", "refuted", "dropped")
"""The rules that say why a status is what it is, gravest first."""
LABORATORY_TEST: Final = (
    "joint test of the fault gases and Kendall's S exactly, two samples in a row; Theil-Sen slope"
)
ONLINE_TEST: Final = "Mann-Kendall test with Holm's correction; Theil-Sen slope"
REACH: Final = "E. C. Fieller, 1954 (from memory), robustly weighted"
DOUBTS: Final = ("quality", "detection_limit")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence of the verdict. ``sources`` are the editions and clauses of what it rests on."""

    topic: str
    """``status``, ``course``, ``why``, ``fault``, ``sure``, ``change``, ``quality``, ``further`` or ``water``."""
    text: str
    sources: tuple[str, ...]


def verdict(assessment: Assessment) -> tuple[Sentence, ...]:
    """The whole verdict, most important first."""
    sentences = [_status(assessment), *_course(assessment), *_why(assessment), *_beside(assessment)]
    sentences += [*_fault(assessment), *_sure(assessment)]
    sentences += [*_change(assessment), *_others(assessment), *_water(assessment)]
    return tuple(sentences)


def _status(assessment: Assessment) -> Sentence:
    if assessment.status is None:
        return Sentence("status", " ".join(("No status.", *assessment.status_reasons)), (STATUS_SOURCE,))
    text = f"Status {assessment.status}, {STATUS_MEANING[assessment.status]}, by {NORM_SET_NAMES[assessment.norm_set]}"
    if assessment.doubtful:
        text += "; the sample itself is in doubt"
    elif assessment.suspect:
        text += "; not confirmed yet"
    return Sentence("status", text + ".", (STATUS_SOURCE,))


def _course(assessment: Assessment) -> list[Sentence]:
    """Where the whole record has come to, and how grave that is."""
    course = assessment.course
    return [Sentence("course", text, (PRACTICE,)) for text in course.why] if course else []


def reasons(assessment: Assessment) -> tuple[Finding, ...]:
    """The findings that put a sample above normal, gravest first, and what became of its confirmation; none where
    nothing is above normal: ``status_reasons`` then says so."""
    found = [f for f in assessment.findings if f.rule in WHY]
    if not any(f.severity >= Severity.INTERMEDIATE for f in found):
        return ()
    return tuple(sorted(found, key=lambda f: (-f.severity, WHY.index(f.rule))))


def beside(assessment: Assessment) -> tuple[Finding, ...]:
    """The findings that call for something whatever the status is, gravest first."""
    found = [f for f in assessment.findings if f.rule in BESIDE and f.severity >= Severity.LOOK_AGAIN]
    return tuple(sorted(found, key=lambda f: (-f.severity, BESIDE.index(f.rule))))


def doubts(assessment: Assessment) -> tuple[Finding, ...]:
    """The findings that say what is in doubt about the sample, or could not be judged."""
    return tuple(f for rule in DOUBTS for f in assessment.findings if f.rule == rule)


def _why(assessment: Assessment) -> list[Sentence]:
    found = reasons(assessment)
    if not found and assessment.status is None:
        return []  # the sentence of the status says so
    if not found:
        return [Sentence("why", reason, (STATUS_SOURCE,)) for reason in assessment.status_reasons]
    return [Sentence("why", f.text, (f.source or PRACTICE,)) for f in found]


def _beside(assessment: Assessment) -> list[Sentence]:
    return [Sentence("why", f.text, (f.source or PRACTICE,)) for f in beside(assessment)]


def _fault(assessment: Assessment) -> list[Sentence]:
    fault = assessment.fault
    if fault is None:
        if assessment.no_fault is None:
            return []
        return [
            Sentence("fault", f"No fault is named: {assessment.no_fault}.", ("IEEE C57.104-2019, 5.2.1",))
        ]
    basis = "the gases as they stand"
    if fault.basis == "increment":
        basis = f"the new gas {compared_with(online=assessment.online)}"
    sentences = [
        Sentence(
            "fault",
            f"The pattern of {basis} is that of a {fault.name} ({fault.code}); {fault.agreement}.",
            ("IEEE C57.104-2019, Table 6 and D.3", "IEC 60599:2022, Table 1 (secondary source)"),
        )
    ]
    if fault.mixture:
        sentences.append(_also(fault.mixture, "IEEE C57.104-2019, D.6-D.7"))
    if fault.other_cause:
        sentences.append(_also(fault.other_cause, fault.other_cause_source or PRACTICE))
    return sentences


def _also(words: str, source: str) -> Sentence:
    return Sentence("fault", words[0].upper() + words[1:] + ".", (source,))


def _sure(assessment: Assessment) -> list[Sentence]:
    sentences = []
    fault, certainty, status = assessment.fault, assessment.certainty, assessment.status
    if fault is not None and fault.probabilities:
        sentences.append(
            Sentence(
                "sure", _how_sure(fault), ("calibrated on doi 10.21227/h8g0-8z59 and C57.104-2019 Annex E",)
            )
        )
    if certainty is not None and status is not None and certainty.status[str(status)] < 0.9:
        parts = ", ".join(f"status {s} {chance(p)}" for s, p in certainty.status.items() if p >= 0.01)
        text = f"Measurement uncertainty leaves the status open: {parts}."
        sentences.append(Sentence("sure", text, ("IEEE C57.104-2019, 5.2.1; JCGM 101:2008",)))
    return sentences


def _how_sure(fault: FaultCall) -> str:
    """The fault and the next likely; of a mixture, what it would be if one fault alone had made the gas."""
    ranked = sorted(((p, c) for c, p in fault.probabilities.items()), reverse=True)
    if fault.confidence is None:
        likeliest = " or ".join(f"{c} ({chance(p)})" for p, c in ranked[:2])
        return f"If one fault alone has made the gas, it is most likely {likeliest}."
    own = next(c for _, c in ranked if fault.code == c or fault.code in c.split("/"))
    others = [(p, c) for p, c in ranked if p >= 0.05 and c != own][:2]
    beside = f"; next {' and '.join(f'{c} {chance(p)}' for p, c in others)}" if others else ""
    told = fault.probabilities[own]
    text = f"Given that there is a fault, this one is {chance(told)} probable{beside}"
    if fault.confidence < told - 0.001:
        text += f"; with the other cause as likely as a fault, {chance(fault.confidence)}"
    return text + "."


def _change(assessment: Assessment) -> list[Sentence]:
    """What rises, at what pace, since when, and where it leads."""
    test = ONLINE_TEST if assessment.online else LABORATORY_TEST
    course = assessment.course
    at_rest = course is not None and course.state in AT_REST and not assessment.suspect
    told = past_pace if at_rest else pace
    return [
        Sentence("change", told(BY_NAME[gas].symbol, trend), (test, REACH))
        for gas, trend in assessment.trends.items()
        if trend.rising
    ]


def _others(assessment: Assessment) -> list[Sentence]:
    topics = {
        "quality": "quality",
        "co2_co": "further",
        "tap_changer": "further",
        "detection_limit": "further",
        "early": "further",
        "oil": "further",
        "water": "water",
        "paper_water": "water",
    }
    return [
        Sentence(topics[f.rule], f.text, (f.source or PRACTICE,))
        for f in assessment.findings
        if f.rule in topics and f.severity is Severity.INFORMATION
    ]


def _water(assessment: Assessment) -> list[Sentence]:
    numbers, sentences = assessment.numbers, []
    if assessment.relative_saturation is not None:
        text = f"Relative saturation of water is {assessment.relative_saturation:.0f} %"
        if "water_at_20" in numbers:
            text += f"; at 20 °C the oil would hold {written(numbers['water_at_20'])} mg/kg at the same saturation"
        sentences.append(Sentence("water", text + ".", ("T. V. Oommen, solubility of water in mineral oil",)))
    if "paper_water" in numbers:
        text = (
            f"Apparent water in paper is between {written(numbers['paper_water_low'], 2)} and "
            f"{written(numbers['paper_water_high'], 2)} % by mass, if oil and paper were in balance"
        )
        if "bubble_inception_low" in numbers:
            ends = f"{numbers['bubble_inception_low']:.0f} to {numbers['bubble_inception_high']:.0f}"
            text += f"; bubbles would form at a hot spot of about {ends} °C"
        sentences.append(
            Sentence(
                "water",
                text + ".",
                ("J. J. Fessler et al. (from memory); Oommen and Lindgren (from memory)",),
            )
        )
    if "dp_low" in numbers:
        band = dp_words((numbers["dp_low"], numbers["dp_high"]))
        text = f"Furfural speaks for a mean degree of polymerization of {band}; no formula is right for every unit."
        sentences.append(Sentence("water", text, (f"{FORMULAS} (from memory)",)))
    return sentences
