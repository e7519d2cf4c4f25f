"""An instrument's readings look wrong."""

from collections.abc import Sequence
from typing import Final

from app.domain.alerting.condition import Grade, Look, OfReadings
from app.domain.alerting.conditions.of_one import about_readings, said_of
from app.domain.alerting.notices import Facts, NextSteps, Said
from app.domain.alerting.states import Reason
from app.domain.instruments.findings import InstrumentFinding, Kind
from app.domain.instruments.verdict import BLINDING, WORDS, asking
from app.science.quantities import BY_NAME


class DataQuality(OfReadings):
    """Severities are our own choice. It is about the instrument: it lowers no alert about the transformer."""

    name = "data_quality"
    title = "Readings in doubt"
    grades = (
        Grade(1, "disturbed", "the readings are disturbed; a rise would still be seen"),
        Grade(2, "blind", "a rise would not be seen"),
    )
    cases = ("readings_disturbed", "readings_blind")
    over = "Nothing is found any more"

    def seen(self, look: Look) -> tuple[int, str]:
        """2 where a rise of a gas would not be seen, else 1."""
        findings = asking(look.findings, look.now)
        if not findings:
            return 0, ""
        return (2 if any(f.kind in BLINDING for f in findings) else 1), _headline(findings)

    def said(self, facts: Facts) -> Said:
        """What its readings show."""
        if facts.change.reason is Reason.RETURNED:
            return said_of(facts, "reads as it should again", "What was found about its readings is over.")
        return said_of(facts, "gives readings in doubt", about_readings(facts))

    def steps(self, facts: Facts) -> NextSteps | None:
        """Look, take a sample where it is blind, have it serviced."""
        if facts.change.reason is Reason.RETURNED:
            return None
        case = "readings_blind" if facts.change.severity >= 2 else "readings_disturbed"
        return NextSteps(case, {"unit": facts.only.instrument.asset_code})


def _headline(findings: Sequence[InstrumentFinding]) -> str:
    by_kind: dict[Kind, list[str]] = {}
    for finding in sorted(findings, key=lambda f: (f.kind not in BLINDING, list(Kind).index(f.kind))):
        symbol = BY_NAME[finding.quantity].symbol
        if symbol not in by_kind.setdefault(finding.kind, []):
            by_kind[finding.kind].append(symbol)
    return "; ".join(f"{', '.join(symbols)}: {WORDS[kind]}" for kind, symbols in by_kind.items())


DATA_QUALITY: Final = DataQuality()
