"""Findings of water: saturation, content, what comes out on cooling, a rise, wet paper, bubbles."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from app.domain.findings import PRACTICE, Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.reporting import sentences_oil as sentences
from app.domain.judging.reporting.limits import by_limit, rounded
from app.domain.judging.rules.oil_tests import POOR, limits_of
from app.domain.judging.rules.water import (
    BUBBLES,
    CONTENT,
    FREE,
    PAPER,
    RISE,
    SATURATION,
    bubble_margin,
    bubbles,
    hot_spot,
    paper_band,
)
from app.science.norms.limits import beyond
from app.science.norms.limits import limit as single_limit
from app.science.oil.paper import PAPER_ESTIMATE

RULE: Final = "water"


def water_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Sign by sign, and why water in paper is not told where it is not."""
    found = judgement.water
    if not found.looked[row]:
        return
    if not np.isnan(found.equal[row]):
        yield from _saturation(judgement, row)
    by, online = found.by[row], bool(judgement.frame.online[row])
    if by[CONTENT]:
        yield from _by_limit(judgement, row, CONTENT, "water", float(found.water[row]))
    if by[FREE]:
        margin = float(found.coldest[row] - found.free_at[row])
        text = sentences.free_water(
            float(found.water[row]), float(found.free_at[row]), float(found.coldest[row])
        )
        name = "free_soon" if by[FREE] == Severity.HIGH else "coldest_expected"
        yield _finding(int(by[FREE]), text, margin, name)
    if by[RISE]:
        text = sentences.water_rise(
            float(found.rs[row]), float(found.usual[row]), float(found.temperature[row])
        )
        yield _finding(int(by[RISE]), text, float(found.rs[row] / found.usual[row]), "water_rise")
    if not online:
        yield from _paper(judgement, row)


def _saturation(judgement: Judgement, row: int) -> Iterator[Finding]:
    found, severity = judgement.water, int(judgement.water.by[row, SATURATION])
    equal, rs = float(found.equal[row]), float(found.rs[row])
    for name in ("water_free", "water_very_wet", "water_wet"):
        value = rs if name == "water_free" else equal
        if severity > 1 and beyond(name, value):
            yield _finding(severity, sentences.saturated(_saturated(judgement, row), name), value, name)
            return
    if severity:
        yield from _by_limit(judgement, row, SATURATION, "relative_saturation", equal)
    elif not judgement.levels.barred[row] and beyond("water_wet", rs):
        text = sentences.saturated(_saturated(judgement, row), "cold")
        yield _finding(0, text, rs, "equal_temperature")


def _saturated(judgement: Judgement, row: int) -> sentences.Saturated:
    found = judgement.water
    return sentences.Saturated(
        float(found.water[row]),
        float(found.temperature[row]),
        float(found.rs[row]),
        float(found.equal[row]),
        single_limit("equal_temperature").value,
        online=bool(judgement.frame.online[row]),
    )


def _by_limit(judgement: Judgement, row: int, sign: int, quantity: str, value: float) -> Iterator[Finding]:
    """A finding against the owner's limit or one by voltage."""
    low, high = limits_of(judgement.norming, row, quantity)
    grade = POOR if high is not None and value > high[0] else 1
    limit = high if grade == POOR else low
    if limit is None:
        return
    number, cite, _ = limit
    kv = float(judgement.norming.rated_kv[row])
    of_what = sentences.whose(cite.source, kv, from_memory=cite.provenance == "from memory")
    severity = int(judgement.water.by[row, sign])
    if sign == SATURATION:
        text = sentences.saturated_above(_saturated(judgement, row), number, of_what)
    else:
        text = sentences.water_above(value, number, of_what, again=severity > 1)
    yield Finding(
        RULE,
        Severity(severity),
        text,
        "water",
        rounded(value),
        number,
        "%" if sign == SATURATION else "mg/kg",
        cite.source,
        cite.provenance,
    )


def _paper(judgement: Judgement, row: int) -> Iterator[Finding]:
    frame, found = judgement.frame, judgement.water
    if judgement.levels.barred[row] or np.isnan(found.temperature[row]) or np.isnan(found.water[row]):
        return
    state = int(found.paper_state[row])
    if state:
        text = sentences.paper_not_told(PAPER_ESTIMATE[state])
        yield Finding(
            "paper_water",
            Severity.INFORMATION,
            text,
            "water",
            source=f"{PRACTICE}; 50 °C from memory",
            provenance="from memory",
        )
        return
    by, paper = found.by[row], paper_band(found, row)
    if by[PAPER]:
        text = sentences.wet_paper(paper.low, paper.high, single_limit("paper_wet").value)
        yield _finding(int(by[PAPER]), text, 0.5 * (paper.low + paper.high), "paper_wet")
    if by[BUBBLES]:
        hot, inception, margin = (
            hot_spot(frame, found, row),
            bubbles(frame, found, row),
            bubble_margin(frame, found, row),
        )
        load = float(frame.column("load")[row])
        text = sentences.bubble_margin(
            (hot.low, hot.high), (inception.low, inception.high), None if np.isnan(load) else load
        )
        one = _finding(int(by[BUBBLES]), text, margin.low, "bubble_margin")
        yield replace(
            one, source="Oommen and Lindgren; gradient and exponent of the winding", provenance="from memory"
        )


def _finding(severity: int, text: str, value: float, name: str) -> Finding:
    return by_limit(RULE, Severity(severity), text, value, name, "water")
