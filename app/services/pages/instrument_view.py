"""The page of one instrument: what it is, what its readings say of it, and how it agrees with the laboratory."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np

from app.domain.instruments.agreement import Agreed, Agreement, CheckRule, agreement
from app.domain.instruments.findings import YARD, Kind
from app.domain.instruments.record import CHECKED_GASES, InstrumentRecord
from app.domain.instruments.silence import SilenceRule
from app.domain.instruments.verdict import WORDS
from app.domain.judging.frame import to_time
from app.domain.recording.maintenance import Spell
from app.domain.writing import signed, written
from app.plots.agreement import DayPoint, Difference, Lines, beside_laboratory, differences
from app.plots.figure import Chart
from app.plots.palette import SVG_PATHS, mark
from app.plots.readings import TrendPoint
from app.science.quantities import BY_NAME, GASES, INDEX
from app.services.instruments.check_instruments import record_of
from app.services.instruments.presence import InstrumentPresence, instruments_of_asset
from app.store.database import Connection, Database
from app.store.instruments import instrument_findings
from app.store.instruments.instrument_findings import StoredFinding
from app.store.registering import maintenance
from app.store.registering.fleet import compartment_context
from app.store.registering.source_lookup import StoredSource, find_source

RANGES: Final = {"6m": 183, "1y": 366, "3y": 1096}
"""Range buttons of the charts: days back from now."""
SHOWN_SPELLS: Final = 10
AGREED_WORDS: Final = {
    Agreed.OUT_OF_BAND: "out of band",
    Agreed.IN_BAND: "in band",
    Agreed.TOO_FEW: "not enough pairs",
}


@dataclass(frozen=True, slots=True)
class InstrumentView:
    """Everything the page shows.

    ``agreement`` is by compartment, in the order of the quantities; ``findings`` those that last and those of the last
    year, the newest first.
    """

    presence: InstrumentPresence
    checked_at: datetime | None
    rule: CheckRule
    findings: tuple[StoredFinding, ...]
    agreement: dict[str, tuple[Agreement, ...]]
    spells: tuple[Spell, ...]
    more_spells: int
    cautions: str = YARD
    gases: tuple[str, ...] = GASES
    kinds: Mapping[Kind, str] = field(default_factory=lambda: WORDS)
    agreed_words: Mapping[Agreed, str] = field(default_factory=lambda: AGREED_WORDS)

    @property
    def lasting(self) -> tuple[StoredFinding, ...]:
        return tuple(f for f in self.findings if f.finding.ends_at is None)

    @property
    def over(self) -> tuple[StoredFinding, ...]:
        return tuple(f for f in self.findings if f.finding.ends_at is not None)


def instrument_view(
    database: Database, code: str, now: datetime, silence: SilenceRule, rule: CheckRule
) -> InstrumentView | None:
    """The page of an instrument; None when there is none of that code that is fitted to an asset."""
    with database.read() as connection:
        stored = find_source(connection, code)
    if stored is None or stored.source.asset_code is None:
        return None
    fitted = instruments_of_asset(database, stored.source.asset_code, now, silence)
    presence = next((one for one in fitted if one.instrument.code == code), None)
    if presence is None:
        return None
    with database.read() as connection:
        spells = maintenance.spells(connection, [stored.id]).get(stored.id, [])[::-1]
        year = instrument_findings.findings_of(connection, stored.id, since=now - timedelta(days=366))
        return InstrumentView(
            presence=presence,
            checked_at=instrument_findings.checked_at(connection, stored.id),
            rule=rule,
            findings=tuple(year),
            agreement={
                name: tuple(agreement(_days_only(connection, stored, own, now), rule.agreement))
                for name, own in stored.compartments.items()
            },
            spells=tuple(spells[:SHOWN_SPELLS]),
            more_spells=max(len(spells) - SHOWN_SPELLS, 0),
        )


def _days_only(
    connection: Connection, stored: StoredSource, compartment_id: int, now: datetime
) -> InstrumentRecord:
    """Agreement and charts need days and laboratory samples, no single readings."""
    return record_of(connection, stored, compartment_id, now, raw_days=0)


def agreement_figures(
    database: Database, code: str, compartment: str, now: datetime, rule: CheckRule, range_key: str
) -> dict[str, Any] | None:
    """``figures``: on-line and laboratory of each gas over time, then their differences; None: no such place."""
    place = _place(database, code, compartment, now)
    if place is None:
        return None
    record, zone = place
    since = now - timedelta(days=RANGES[range_key])
    by_gas = {a.quantity: a for a in agreement(record, rule.agreement)}
    items: list[dict[str, Any]] = []
    against: list[dict[str, Any]] = []
    noons = [to_time(day + 0.5) for day in record.daily.day]
    for quantity in CHECKED_GASES:
        online, laboratory = _points(record, quantity, since, noons)
        if online:
            figure = beside_laboratory(quantity, online, laboratory, (since, now), zone)
            said = f"{len(online)} days on-line, {len(laboratory)} laboratory samples"
            items.append(_item(quantity, "on-line and laboratory", said, figure))
        if quantity in by_gas and online:
            against.append(_difference_item(by_gas[quantity]))
    notes = ["grey: least to greatest reading of each day (UTC)"] if items else []
    return {"figures": items + against, "notes": notes, "zone": zone}


def _place(
    database: Database, code: str, compartment: str, now: datetime
) -> tuple[InstrumentRecord, str] | None:
    """What an instrument measured in a compartment, and the time zone of its site."""
    with database.read() as connection:
        stored = find_source(connection, code)
        if stored is None or compartment not in stored.compartments:
            return None
        own = stored.compartments[compartment]
        around = compartment_context(connection, [own])[own]
        return _days_only(connection, stored, own, now), around.site.time_zone


def _item(quantity: str, what: str, said: str, figure: Chart) -> dict[str, Any]:
    known, style = BY_NAME[quantity], mark(quantity)
    return {
        "quantity": quantity,
        "symbol": known.symbol,
        "label": f"{known.label}, {what}",
        "unit": known.unit,
        "mark": {"path": SVG_PATHS[style.symbol], "color": style.color},
        "summary": f"{known.label}, {what}: {said}",
        "figure": figure,
    }


def _points(
    record: InstrumentRecord, quantity: str, since: datetime, noons: Sequence[datetime]
) -> tuple[list[DayPoint], list[TrendPoint]]:
    """Days and laboratory samples with the quantity; ``noons`` of the record's days, which all quantities share."""
    q, days, lab = INDEX[quantity], record.daily, record.laboratory
    columns = (days.medians, days.low, days.high, days.limits)
    online = [
        DayPoint(noon, value, value if math.isnan(low) else low, value if math.isnan(high) else high, below)
        for noon, value, low, high, below in zip(noons, *(c[:, q].tolist() for c in columns), strict=True)
        if noon >= since and not math.isnan(value)
    ]
    laboratory = [
        TrendPoint(to_time(at), float(value), bool(below))
        for at, value, below in zip(lab.at, lab.values[:, q], lab.below[:, q], strict=True)
        if not math.isnan(value)
    ]
    return online, [p for p in laboratory if p.at >= since]


def _difference_item(one: Agreement) -> dict[str, Any]:
    pairs, scale = one.pairs, 100.0 if one.relative else 1.0
    values = scale * np.expm1(pairs.logarithmic) if one.relative else pairs.online - pairs.laboratory
    means = (
        np.sqrt(pairs.online * pairs.laboratory) if one.relative else (pairs.online + pairs.laboratory) / 2.0
    )
    unit = BY_NAME[one.quantity].unit
    drawn = [
        Difference(
            float(mean),
            float(value),
            f"{to_time(at):%Y-%m-%d}: on-line {written(online, 4)}, laboratory {written(laboratory, 4)} {unit}"
            f"<br>{signed(value)} {'%' if one.relative else unit}{'' if counts else ', does not count'}",
            bool(counts),
        )
        for at, laboratory, online, mean, value, counts in zip(
            pairs.at, pairs.laboratory, pairs.online, means, values, one.used, strict=True
        )
    ]
    bias, low, high = (_finite(scale * x) for x in (one.bias, one.low, one.high))
    lines = Lines(bias, low, high, scale * one.band)
    said = f"{len(pairs)} pairs, {int(one.used.sum())} of them count"
    return _item(
        one.quantity,
        "on-line less laboratory",
        said,
        differences(one.quantity, drawn, lines, relative=one.relative),
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
