"""Which findings about an instrument somebody must know of now, and how each kind is called in a line."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from app.domain.instruments.findings import InstrumentFinding, Kind

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
