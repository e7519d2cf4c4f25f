"""Findings of oil tests: what stands out once asks for the test again, what stands out twice for more."""

from collections.abc import Iterator

from app.domain.findings import Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.norms import OWNER
from app.domain.judging.reporting import sentences_oil as sentences
from app.domain.judging.reporting.limits import rounded
from app.domain.judging.rules.oil_tests import FAIR, POOR, limits_of
from app.science.quantities import BY_NAME, LOW_IS_BAD, OIL_TESTS

RULE = "oil"


def oil_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Test by test; nothing where the voltage is not known and the limits hang on it."""
    if judgement.frame.online[row]:
        return
    tests = judgement.oil_tests
    for q, name in enumerate(OIL_TESTS):
        grade = int(tests.grade[row, q])
        if grade <= 0:
            continue
        limit = limits_of(judgement.norming, row, name)[1 if grade == POOR else 0]
        if limit is None:
            continue
        number, cite, test = limit
        value, quantity = float(judgement.frame.column(name)[row]), BY_NAME[name]
        text = sentences.oil_test(
            sentences.OilTest(
                quantity.label,
                value,
                "" if quantity.unit == "fraction" else f" {quantity.unit}",
                below=name in LOW_IS_BAD,
                fair=grade == FAIR,
                again=bool(tests.again[row, q]),
            ),
            number,
            _of_what(judgement, row, cite.source, test),
            from_memory=cite.provenance == "from memory",
        )
        yield Finding(
            RULE,
            Severity(int(tests.severity[row, q])),
            text,
            name,
            rounded(value),
            number,
            quantity.unit,
            cite.source,
            cite.provenance,
        )


def _of_what(judgement: Judgement, row: int, source: str, test: str) -> str:
    if source == OWNER:
        return "that the owner set"
    kv = float(judgement.norming.rated_kv[row])
    by = "" if kv != kv else f" for {kv:g} kV"
    return f"{by} ({test})".strip() if test else by.strip()
