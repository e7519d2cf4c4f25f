"""Findings of one row: each with its value, limit, unit, clause and one plain sentence."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from app.domain.findings import PRACTICE, Finding, Severity
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import to_time
from app.domain.judging.norms import BARRED, LONGEST_SPAN_DAYS, norms_2019, span_column
from app.domain.judging.reporting import sentences
from app.domain.judging.reporting.doubts import quality_findings
from app.domain.judging.reporting.limits import (
    by_limit,
    by_norm,
    column_words,
    level_citation,
    limit_words,
    rounded,
)
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.rules.early import FIRST_YEAR
from app.domain.judging.rules.extreme import GRAVE, KINDS, extremity
from app.domain.judging.rules.levels import HIGH, RAISED
from app.domain.judging.rules.paper import HYDROCARBONS, INVOLVED
from app.domain.judging.status_words import STATUS_SOURCE
from app.domain.writing import written
from app.science.norms.limits import beyond
from app.science.norms.limits import limit as single_limit
from app.science.quantities import BY_NAME, INDEX, NORM_GASES
from app.science.trends.rates import DAYS_PER_YEAR

GUIDE: Final = "IEEE C57.104-2019"


def findings_of(judgement: Judgement, row: int, zone: ZoneInfo) -> Iterator[Finding]:
    """All findings of a row, gas by gas, then of the sample as a whole; ``zone``: of the site, for the days named."""
    for g in _told_gases(judgement, row):
        yield from _level_findings(judgement, row, g, NORM_GASES[g])
        yield from _extreme_findings(judgement, row, g, zone)
        yield from _change_findings(judgement, row, g, zone)
    yield from _confirmation_findings(judgement, row, zone)
    yield from quality_findings(judgement, row)
    yield from _missing_findings(judgement, row)
    yield from _ratio_findings(judgement, row)


def _told_gases(judgement: Judgement, row: int) -> list[int]:
    """The gases that there is something to tell of: of most rows none."""
    levels, changes = judgement.levels, judgement.changes
    told = (levels.level[row] >= RAISED) | levels.blind[row] | judgement.extremes[row]
    told |= changes.delta_exceeds[row] | changes.rate_exceeds[row]
    return [g for g, something in enumerate(told.tolist()) if something]


def _level_findings(judgement: Judgement, row: int, g: int, gas: str) -> Iterator[Finding]:
    levels = judgement.levels
    value = float(judgement.frame.values[row, g])
    symbol = BY_NAME[gas].symbol
    level = int(levels.level[row, g])
    if level >= RAISED:
        high = level == HIGH
        limit = float(levels.high[row, g] if high else levels.typical[row, g])
        words = limit_words(judgement, row, g, high=high)
        yield by_norm(
            "level",
            Severity.HIGH if high else Severity.INTERMEDIATE,
            sentences.level(symbol, value, limit, words, column_words(judgement, row)),
            gas,
            (value, limit, "µL/L"),
            level_citation(judgement, row, g, high=high),
        )
    elif levels.blind[row, g]:
        limit = float(levels.typical[row, g])
        yield by_norm(
            "detection_limit",
            Severity.INFORMATION,
            sentences.undecided(symbol, value, limit),
            gas,
            (value, limit, "µL/L"),
            level_citation(judgement, row, g, high=False),
        )


def _extreme_findings(judgement: Judgement, row: int, g: int, zone: ZoneInfo) -> Iterator[Finding]:
    """Each gas once, by the first kind that makes it extreme."""
    if not judgement.extremes[row, g]:
        return
    kinds, gas, gravity = judgement.extreme_kinds, NORM_GASES[g], _gravity(judgement, row)
    kind = next(k for k in KINDS if kinds.found[k][row, g])
    symbol, table = BY_NAME[gas].symbol, extremity()[kind, gas]
    limit = float(kinds.limits[kind][row, g])
    value, reference = float(judgement.frame.values[row, g]), None
    if kind == "delta":
        value, reference = _change(judgement, row, g, zone)
        text = sentences.extreme_delta(symbol, value, limit, reference, gravity)
    elif kind == "rate":
        value = float(judgement.changes.rate[row, g])
        text = sentences.extreme_rate(symbol, value, limit, gravity)
    elif kind == "fault":
        text = sentences.extreme_fault(symbol, value, limit, GRAVE[gas], gravity)
    elif kind == "trip":
        text = sentences.extreme_trip(symbol, value, gravity)
    else:
        text = sentences.extreme_level(symbol, value, limit, gravity)
    found = Finding(
        "extreme", Severity.HIGH, text, gas, rounded(value), limit, table.unit, table.source, table.provenance
    )
    yield found if reference is None else replace(found, reference_at=_stamp(reference.at))


def _gravity(judgement: Judgement, row: int) -> int:
    """How soon to act: as the course of the unit says; without one at once where a result is extreme."""
    if judgement.frame.online[row] or judgement.courses.state_of(row) is None:
        return sentences.SOONEST if judgement.extremes[row].any() else 0
    return int(judgement.courses.gravity[row])


def _change_findings(judgement: Judgement, row: int, g: int, zone: ZoneInfo) -> Iterator[Finding]:
    changes, online = judgement.changes, bool(judgement.frame.online[row])
    side, gas = int(judgement.levels.side[row]), NORM_GASES[g]
    symbol, any_counts = BY_NAME[gas].symbol, g == ACETYLENE
    if changes.delta_exceeds[row, g]:
        limit = float(norms_2019().delta[side, g])
        delta, reference = _change(judgement, row, g, zone)
        found = by_norm(
            "delta",
            Severity.INTERMEDIATE,
            sentences.delta(symbol, delta, None if any_counts else limit, reference),
            gas,
            (delta, limit, "µL/L"),
            norms_2019().cite("3", gas, side),
        )
        yield replace(found, reference_at=_stamp(reference.at))
    if changes.rate_exceeds[row, g]:
        span = int(span_column(changes.rate_span[row, g : g + 1])[0])
        rate, limit = float(changes.rate[row, g]), float(norms_2019().rate[side, span, g])
        points = f"{changes.rate_points[row, g]} {'daily medians' if online else 'samples'}"
        days = float(changes.rate_span[row, g])
        borne = bool(changes.borne_out[row, g])
        found = by_norm(
            "rate",
            Severity.HIGH if borne else Severity.INTERMEDIATE,
            sentences.rate(symbol, rate, None if any_counts else limit, points, days),
            gas,
            (rate, limit, "µL/L/year"),
            norms_2019().cite("4", gas, side, span),
        )
        low, high = float(changes.rate_low[row, g]), float(changes.rate_high[row, g])
        yield found if borne else replace(found, text=found.text + sentences.unborne(low, high))


def _change(judgement: Judgement, row: int, g: int, zone: ZoneInfo) -> tuple[float, sentences.Reference]:
    """The larger of the two changes that Table 3 is applied to, and what it is counted from."""
    changes = judgement.changes
    delta, early = float(changes.delta[row, g]), float(changes.early_delta[row, g])
    if early > delta or (np.isnan(delta) and not np.isnan(early)):
        return early, sentences.Reference(to_time(float(changes.early_at[row, g])), zone)
    return delta, _reference(judgement, row, g, zone)


def _reference(judgement: Judgement, row: int, g: int, zone: ZoneInfo) -> sentences.Reference:
    """What the change of a gas is counted from."""
    changes = judgement.changes
    if judgement.frame.online[row]:
        return sentences.Reference(None, zone)
    below = float(changes.reference[row, g]) if changes.reference_below[row, g] else None
    at = float(changes.reference_at[row, g])
    days = float(judgement.frame.at[row]) - at
    years = days / DAYS_PER_YEAR if days > LONGEST_SPAN_DAYS else None
    return sentences.Reference(to_time(at), zone, below, years)


def _stamp(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _confirmation_findings(judgement: Judgement, row: int, zone: ZoneInfo) -> Iterator[Finding]:
    changes, online = judgement.changes, bool(judgement.frame.online[row])
    clause = f"{GUIDE}, 6.1.2"
    when = float(changes.settled_at[row])
    settled = None if np.isnan(when) else to_time(when)

    def said(rule: str, severity: Severity, text: str) -> Finding:
        return Finding(rule, severity, text, source=clause, provenance="standard")

    if changes.suspect[row] and not changes.dropped[row]:
        if online:
            text = sentences.CONFIRM_ONLINE
            yield Finding(
                "confirm", Severity.INTERMEDIATE, text, source=PRACTICE, provenance="common practice"
            )
        else:
            text = (
                sentences.CONFIRM_RATE if changes.asked[row] else sentences.confirm(_gravity(judgement, row))
            )
            yield said("confirm", Severity.INTERMEDIATE, text)
    if changes.confirmed[row] and settled and not online:
        found = said("confirmed", Severity.INTERMEDIATE, sentences.confirmed(settled, zone))
        yield replace(found, reference_at=_stamp(settled))
    if changes.restart[row]:
        yield Finding(
            "restart", Severity.INTERMEDIATE, sentences.RESTART, source=PRACTICE, provenance="common practice"
        )
    if changes.dropped[row]:
        yield said("dropped", Severity.INFORMATION, sentences.DROPPED)
    if changes.refuted[row] and settled:
        found = said("refuted", Severity.INFORMATION, sentences.refuted(settled, zone))
        yield replace(found, reference_at=_stamp(settled))


def _missing_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """What an early second sample would tell, and that nothing could be judged."""
    asked = judgement.early[row].tolist()
    gases = [BY_NAME[gas].symbol for gas, early in zip(NORM_GASES, asked, strict=True) if early]
    if gases:
        text = sentences.early(gases, young=float(judgement.frame.age[row]) < FIRST_YEAR)
        yield Finding("early", Severity.INFORMATION, text, source=f"{GUIDE}, 5.3.1", provenance="standard")
    judged = (judgement.levels.level[row] >= 0).any()
    if not judged and not judgement.levels.barred[row]:
        yield Finding(
            "unjudged", Severity.INFORMATION, sentences.UNJUDGED, source=STATUS_SOURCE, provenance="standard"
        )


def _ratio_findings(judgement: Judgement, row: int) -> Iterator[Finding]:
    """Ratios that point to paper, oxidation or the tap changer."""
    frame = judgement.frame

    def number(gas: str) -> float:
        i = INDEX[gas]
        return float("nan") if frame.below[row, i] else float(frame.values[row, i])

    co, co2, c2h2, h2 = (number(g) for g in ("co", "co2", "c2h2", "h2"))
    carbon = co2 / co if co > 0 else float("nan")
    hydrocarbons = bool((judgement.levels.level[row, HYDROCARBONS] >= RAISED).any())
    if not judgement.paper.by[row, INVOLVED] and beyond("paper_carbonized", carbon) and hydrocarbons:
        least = written(single_limit("paper_carbonized").value, 6)
        text = (
            f"CO₂/CO is {written(carbon, 2)}, below {least}; with raised hydrocarbons paper may be involved."
        )
        yield by_limit("co2_co", Severity.INFORMATION, text, carbon, "paper_carbonized")
    elif beyond("paper_carbonized", carbon) and beyond("oil_oxidation", co) and not hydrocarbons:
        least = written(single_limit("paper_carbonized").value, 6)
        text = f"CO₂/CO is {written(carbon, 2)}, below {least}; without hydrocarbons: oil oxidation."
        yield by_limit("co2_co", Severity.INFORMATION, text, carbon, "paper_carbonized")
    if tap_changer_gas(judgement, row):
        ratio, most = c2h2 / h2, single_limit("tap_changer_gas").value
        text = f"C₂H₂/H₂ is {written(ratio, 2)}, above {written(most, 6)}: the gas may come from the tap changer "
        text += "rather than from a fault."
        yield by_limit("tap_changer", Severity.INFORMATION, text, ratio, "tap_changer_gas")


def tap_changer_gas(judgement: Judgement, row: int) -> bool:
    """Whether raised acetylene with little hydrogen looks like the tap changer's gas in the main tank (D.9.2)."""
    frame, hydrogen = judgement.frame, NORM_GASES.index("h2")
    h2, c2h2 = float(frame.values[row, hydrogen]), float(frame.values[row, ACETYLENE])
    if frame.below[row, hydrogen] or frame.below[row, ACETYLENE] or not h2 > 0:
        return False
    raised = judgement.levels.level[row, ACETYLENE] >= RAISED
    return bool(raised and beyond("tap_changer_gas", c2h2 / h2))


def status_reasons(judgement: Judgement, row: int, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    """Why the status is what it is, in sentences."""
    status = int(judgement.changes.status[row])
    barred = int(judgement.levels.barred[row])
    if barred:
        return (f"{BARRED[barred][0].upper()}{BARRED[barred][1:]}.",)
    if status == 0:
        blind = [
            BY_NAME[g].symbol for g, on in zip(NORM_GASES, judgement.levels.blind[row], strict=True) if on
        ]
        return (sentences.blind(blind),) if blind else (sentences.UNJUDGED,)
    reasons = [f.text for f in findings if f.rule in {"level", "delta", "rate", "extreme"}]
    reasons += [
        f.text for f in findings if f.rule in {"confirm", "confirmed", "restart", "refuted", "dropped"}
    ]
    if status == 1 and not any(f.rule in {"level", "delta", "rate"} for f in findings):
        words = column_words(judgement, row)
        reasons.insert(0, f"All gases that can be judged are at or below their norms ({words}).")
    return tuple(reasons)
