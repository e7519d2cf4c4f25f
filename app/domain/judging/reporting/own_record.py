"""Findings of a compartment without published norms, against its own record and the owner's limits."""

from collections.abc import Iterator
from typing import Final

from app.domain.findings import Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.norms import LIQUIDS, OILS, OWNER, TAP_CHANGER_OIL, TAP_CHANGER_WORDS
from app.domain.judging.reporting import sentences
from app.domain.judging.reporting.limits import limit_words, rounded
from app.domain.judging.rules.own_record import C2H2, C2H4, OTHER_LIQUID, TAP_CHANGER
from app.science.norms.own_record import own_limit
from app.science.quantities import BY_NAME, NORM_GASES

RULE: Final = "own_record"
SOURCE: Final = "common practice, no source: ours, against the compartment's own record"
PROVENANCE: Final = "common practice"


def own_record_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """What stands out, gas by gas, then C2H4 with its ratio; nothing where a published norm applies."""
    barred = int(judgement.levels.barred[row])
    if not barred:
        return
    own, frame = judgement.own_record, judgement.frame
    oil = oil_words(judgement, row)
    record = sentences.Record(oil, int(own.count[row]), bool(frame.online[row]))
    for g, gas in enumerate(NORM_GASES):
        value, symbol = float(frame.values[row, g]), BY_NAME[gas].symbol
        rise, level = int(own.by_rise[row, g]), int(own.by_level[row, g])
        if rise and rise >= level:
            text = sentences.own_rise(symbol, value, float(own.usual[row, g]), record, rise)
            yield _finding(rise, text, gas, value)
        elif level:
            limit = own_limit(TAP_CHANGER if barred == TAP_CHANGER_OIL else OTHER_LIQUID, "level", gas, level)
            yield _finding(level, sentences.own_level(symbol, value, limit, oil, level), gas, value, limit)
        yield from _owner_findings(judgement, row, g)
    ratio = int(own.by_ratio[row])
    if ratio:
        value = float(frame.values[row, C2H4])
        below = max(float(frame.values[row, C2H2]), 1.0)
        text = sentences.own_ratio(
            value, (value / below, float(own.usual_ratio[row])), float(own.usual[row, C2H4]), record, ratio
        )
        yield _finding(ratio, text, "c2h4", value)


def oil_words(judgement: Judgement, row: int) -> str:
    """What a compartment holds, in words."""
    if judgement.levels.barred[row] == TAP_CHANGER_OIL:
        return TAP_CHANGER_WORDS
    return OILS[LIQUIDS[judgement.norming.liquid[row]]]


def _owner_findings(judgement: Judgement, row: int, g: int) -> Iterator[Finding]:
    severity = int(judgement.own_record.by_owner[row, g])
    if not severity:
        return
    high, levels, gas = severity == Severity.HIGH, judgement.levels, NORM_GASES[g]
    value, limit = (
        float(judgement.frame.values[row, g]),
        float((levels.high if high else levels.typical)[row, g]),
    )
    text = sentences.own_owner(BY_NAME[gas].symbol, value, limit, limit_words(judgement, row, g, high=high))
    yield Finding(
        RULE, Severity(severity), text, gas, rounded(value), limit, "µL/L", OWNER, "common practice"
    )


def _finding(severity: int, text: str, gas: str, value: float, limit: float | None = None) -> Finding:
    return Finding(RULE, Severity(severity), text, gas, rounded(value), limit, "µL/L", SOURCE, PROVENANCE)
