"""What the engine says of one sample, as data with evidence; text is made from it, never the other way.

`Assessment.to_json` / `from_json` are the stored form (column ``assessments.detail``).
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import IntEnum
from typing import Any, Self


class Severity(IntEnum):
    """How much a finding matters. 1-3 carry the same weight as the DGA status of the same number."""

    INFORMATION = 0
    NORMAL = 1
    INTERMEDIATE = 2
    HIGH = 3


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement with its evidence.

    Attributes:
        rule: identifier of the rule that made it, e.g. ``level``; documented in DEVELOPERS.md.
        severity: see :class:`Severity`.
        text: one plain sentence, made from the numbers below.
        quantity, value, limit, unit: the evidence; None where a finding has none.
        source: edition and clause of the limit, e.g. ``IEEE C57.104-2019 Table 2``.
        provenance: ``standard``, ``paper``, ``common practice`` or ``from memory``.
    """

    rule: str
    severity: Severity
    text: str
    quantity: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    source: str | None = None
    provenance: str | None = None


@dataclass(frozen=True, slots=True)
class MethodCall:
    """What one diagnostic method says. Either a ``code`` with ``applicable=True`` or a reason why not."""

    code: str | None
    applicable: bool
    why: str
    """Why this code, with the ratios or percentages that led to it; or why the method does not apply."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A multi-point rate: least-squares slope over ``points`` samples spanning ``span_days``."""

    per_year: float
    """[µL/L/year]"""
    span_days: float
    points: int


@dataclass(frozen=True, slots=True)
class FaultCall:
    """The fault a pattern suggests, in the words of IEC 60599 (PD, D1, D2, T1, T2, T3, S ...)."""

    code: str
    name: str
    """Plain words, e.g. ``thermal fault above 700 °C``."""
    agreement: str
    """Which methods agree and which do not, in words."""
    confidence: float | None = None
    """Probability 0-1 where it was computed, else None."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the engine says of one sample.

    ``status`` is the DGA status 1-3 of the norm set named in ``norm_set``, or None when no norm gas was
    measured (``status_reasons`` then says so).
    """

    status: int | None
    suspect: bool
    """True when a confirmation sample is asked for before this sample is believed."""
    status_reasons: tuple[str, ...]
    norm_set: str
    rule_set: str
    methods: Mapping[str, MethodCall] = field(default_factory=dict)
    rates: Mapping[str, Rate] = field(default_factory=dict)
    deltas: Mapping[str, float] = field(default_factory=dict)
    """Change against the reference sample [µL/L]."""
    nei_oil: float | None = None
    """Normalized energy intensity [kJ/kL]."""
    relative_saturation: float | None = None
    """Relative saturation of water in oil at the oil's temperature [%]."""
    fault: FaultCall | None = None
    findings: tuple[Finding, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """A dictionary of plain JSON types."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """The inverse of :meth:`to_json`; an unknown key is an error, so a stored form never rots unseen."""
        rest = dict(data)
        return cls(
            methods={k: MethodCall(**v) for k, v in rest.pop("methods").items()},
            rates={k: Rate(**v) for k, v in rest.pop("rates").items()},
            deltas=dict(rest.pop("deltas")),
            fault=FaultCall(**fault) if (fault := rest.pop("fault")) else None,
            findings=tuple(
                Finding(**{**f, "severity": Severity(f["severity"])}) for f in rest.pop("findings")
            ),
            status_reasons=tuple(rest.pop("status_reasons")),
            **rest,
        )
