"""Findings of paper: furfural and the band of the degree of polymerization, and the carbon oxides."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from app.domain.findings import Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.norms import PAPERS
from app.domain.judging.reporting import sentences_oil as sentences
from app.domain.judging.reporting.limits import by_limit, rounded
from app.domain.judging.rules.oil_tests import limits_of
from app.domain.judging.rules.paper import INVOLVED, OWNED, POLYMERIZATION, RISE, SLOW
from app.science.norms.limits import limit as single_limit

RULE: Final = "paper"
FORMULAS: Final = "formulas of Chendong, Burton, De Pablo and Stebbins"


def paper_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Sign by sign; esters and tap changers keep furans otherwise, or have no paper, and are not judged."""
    found = judgement.paper
    by, furfural = found.by[row], float(judgement.frame.column("furfural")[row])
    paper = str(PAPERS[judgement.norming.paper[row]])
    if by[POLYMERIZATION]:
        low, high = float(found.dp_low[row]), float(found.dp_high[row])
        name = {3: "dp_end", 2: "dp_late", 1: "dp_late"}[int(by[POLYMERIZATION])]
        late, end = single_limit("dp_late").value, single_limit("dp_end").value
        text = sentences.polymerization(furfural, (low, high), paper, late, end)
        one = by_limit(RULE, Severity(int(by[POLYMERIZATION])), text, furfural, name, "furfural")
        yield replace(one, limit=None, unit="mg/kg", source=FORMULAS, provenance="from memory")
    if by[OWNED]:
        low_limit, high_limit = limits_of(judgement.norming, row, "furfural")
        limit = high_limit if by[OWNED] > 1 else low_limit
        if limit is not None:
            yield Finding(
                RULE,
                Severity(int(by[OWNED])),
                sentences.furfural_above(furfural, limit[0]),
                "furfural",
                rounded(furfural),
                limit[0],
                "mg/kg",
                limit[1].source,
                limit[1].provenance,
            )
    if by[RISE]:
        text = sentences.furfural_rise(furfural, float(found.usual[row]))
        yield by_limit(RULE, Severity(int(by[RISE])), text, furfural, "furfural_rise", "furfural")
    carbon = float(found.carbon[row])
    if by[INVOLVED]:
        text = sentences.paper_involved(carbon)
        yield by_limit(RULE, Severity(int(by[INVOLVED])), text, carbon, "paper_carbonized", "co2")
    if by[SLOW]:
        text = sentences.slow_ageing(float(judgement.frame.column("co2")[row]), carbon)
        yield by_limit(RULE, Severity(int(by[SLOW])), text, carbon, "paper_slow", "co2")
