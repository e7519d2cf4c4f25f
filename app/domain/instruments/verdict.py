"""From findings and agreement to what somebody must know: the conditions of an instrument that raise alerts."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from app.domain.instruments.agreement import Agreed, Agreement
from app.domain.instruments.findings import InstrumentFinding, Kind
from app.science.quantities import BY_NAME

DATA_QUALITY: Final = "data_quality"
AGREEMENT: Final = "agreement"

TOLD_FOR: Final = timedelta(days=14)
"""A finding that is over asks for attention this long after its end (our own choice)."""
BLINDING: Final = frozenset({Kind.STUCK, Kind.SATURATED, Kind.NEGATIVE, Kind.MISSING})
"""Signs under which a rise of the gas would not be seen: graver than those that only disturb."""
FEWEST_SPIKES: Final = 3
"""Fewer are told on the page and raise nothing."""

WORDS: Final[Mapping[Kind, str]] = {
    Kind.STUCK: "stuck",
    Kind.SPIKE: "spikes",
    Kind.STEP: "a step",
    Kind.DRIFT: "drifts",
    Kind.SATURATED: "at the top of its range",
    Kind.NEGATIVE: "reads zero",
    Kind.MISSING: "missing",
    Kind.DAILY_CYCLE: "swings with the day",
}


def asking(findings: Sequence[InstrumentFinding], now: datetime) -> list[InstrumentFinding]:
    """Findings that somebody must know of now: not explained, not long over, not a single spike."""
    return [
        f
        for f in findings
        if f.explained_by is None
        and (f.ends_at is None or now - f.ends_at <= TOLD_FOR)
        and (f.kind is not Kind.SPIKE or f.figures.get("spikes", 0.0) >= FEWEST_SPIKES)
    ]


def conditions(
    findings: Sequence[InstrumentFinding], agreement: Sequence[Agreement], now: datetime
) -> Mapping[str, tuple[int, str]]:
    """Severity and headline of each condition of an instrument; severity 0 with an empty headline: nothing to tell.

    ``data_quality`` is 2 where a rise of a gas would not be seen, else 1; ``agreement`` is 2 where acetylene or
    hydrogen is out of the band or a gas is read at less than half, else 1. Severities are our own choice. They are
    about the instrument: nothing here lowers an alert about the transformer.
    """
    now_asking = asking(findings, now)
    out = [a for a in agreement if a.agreed is Agreed.OUT_OF_BAND]
    return {
        DATA_QUALITY: (_severity(now_asking), _headline(now_asking)),
        AGREEMENT: (_how_far(out), _against(out)),
    }


def _severity(findings: Sequence[InstrumentFinding]) -> int:
    if not findings:
        return 0
    return 2 if any(f.kind in BLINDING for f in findings) else 1


def _headline(findings: Sequence[InstrumentFinding]) -> str:
    by_kind: dict[Kind, list[str]] = {}
    for finding in sorted(findings, key=lambda f: (f.kind not in BLINDING, list(Kind).index(f.kind))):
        symbol = BY_NAME[finding.quantity].symbol
        if symbol not in by_kind.setdefault(finding.kind, []):
            by_kind[finding.kind].append(symbol)
    return "; ".join(f"{', '.join(symbols)}: {WORDS[kind]}" for kind, symbols in by_kind.items())


def _how_far(out: Sequence[Agreement]) -> int:
    if not out:
        return 0
    grave = any(a.quantity in {"h2", "c2h2"} or (a.relative and a.bias < -0.5) for a in out)
    return 2 if grave else 1


def _against(out: Sequence[Agreement]) -> str:
    if not out:
        return ""
    parts = [
        f"{BY_NAME[a.quantity].symbol} {100 * a.bias:+.0f} %"
        if a.relative
        else f"{BY_NAME[a.quantity].symbol} {a.bias:+.2g} {BY_NAME[a.quantity].unit}"
        for a in out
    ]
    return f"against the laboratory: {', '.join(parts)}"
