"""How instruments stand: on time, late, silent, in maintenance, never heard; for the list, the fleet and the units."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from app.domain.alerting.conditions.registry import OF_READINGS
from app.domain.alerting.states import OPEN_STATES
from app.domain.instruments.instrument import Instrument
from app.domain.instruments.silence import Heard, SilenceRule, heard
from app.domain.model import Site
from app.services.alerting import silence_memory as memory
from app.store.alerting import alerts
from app.store.database import Connection, Database
from app.store.instruments import instruments
from app.store.pages.view_alerts import AlertView, alert_list
from app.store.pages.views import all_sites

ORDER: Final = (Heard.SILENT, Heard.LATE, Heard.NEVER, Heard.MAINTENANCE, Heard.ON_TIME)
"""The worst first."""
GONE: Final = frozenset({Heard.SILENT, Heard.LATE})


@dataclass(frozen=True, slots=True)
class InstrumentPresence:
    """One instrument and how it stands."""

    instrument: Instrument
    heard: Heard
    compartments: tuple[str, ...] = ()
    alerts: tuple[AlertView, ...] = ()
    """Those about it that are open, the gravest first."""
    findings: int = 0
    """Findings about its readings that last."""

    @property
    def gone(self) -> bool:
        return self.heard in GONE

    @property
    def disagrees(self) -> bool:
        """Whether an alert says that it disagrees with the laboratory."""
        disputes = {c.name for c in OF_READINGS if c.disputes_laboratory}
        return any(a.condition in disputes and a.severity for a in self.alerts)


@dataclass(frozen=True, slots=True)
class InstrumentList:
    """The page of all instruments."""

    rows: tuple[InstrumentPresence, ...]
    counts: dict[str, int]
    """How many stand so at the site asked for."""
    sites: tuple[Site, ...]
    total: int


def instrument_list(
    database: Database, now: datetime, rule: SilenceRule, site_code: str = "", state: str = ""
) -> InstrumentList:
    """Instruments of a site (of all: empty) that stand so (all: empty), the worst first."""
    with database.read() as connection:
        found = _presences(
            connection, instruments.instruments(connection, now, site_code=site_code), now, rule
        )
        found.sort(key=lambda s: (ORDER.index(s.heard), s.instrument.site_name, s.instrument.code))
        counts = {one.value: sum(s.heard is one for s in found) for one in ORDER}
        rows = tuple(s for s in found if not state or s.heard == state)
        return InstrumentList(rows, counts, tuple(all_sites(connection)), len(found))


def instruments_of_asset(
    database: Database, code: str, now: datetime, rule: SilenceRule
) -> list[InstrumentPresence]:
    """Those fitted to an asset."""
    with database.read() as connection:
        return _presences(connection, instruments.instruments(connection, now, asset_code=code), now, rule)


def gone_by_unit(
    database: Database, now: datetime, rule: SilenceRule
) -> dict[tuple[str, str], list[InstrumentPresence]]:
    """Late and silent instruments by (asset code, compartment)."""
    units: dict[tuple[str, str], list[InstrumentPresence]] = {}
    with database.read() as connection:
        found = _presences(connection, instruments.instruments(connection, now), now, rule)
    for presence in found:
        for name in presence.compartments if presence.gone else ():
            units.setdefault((presence.instrument.asset_code, name), []).append(presence)
    return units


def instruments_of_alert(
    database: Database, alert_id: int, now: datetime, rule: SilenceRule
) -> list[InstrumentPresence]:
    """Those an alert is about: one, or all that are told together; none when it is about a compartment."""
    with database.read() as connection:
        stored = alerts.find(connection, alert_id)
        if stored is None:
            return []
        single, group = stored.subject.source_id, memory.group_of(stored)
        ids = {single} if single is not None else group.members if group else set()
        return _presences(connection, _some(connection, ids, now), now, rule) if ids else []


def _some(connection: Connection, ids: Iterable[int], now: datetime) -> list[Instrument]:
    return instruments.instruments(connection, now, ids=ids)


def _presences(
    connection: Connection, found: Sequence[Instrument], now: datetime, rule: SilenceRule
) -> list[InstrumentPresence]:
    ids = [one.id for one in found]
    watch = memory.read_watch(connection)
    served = instruments.compartments_served(connection, ids)
    findings = instruments.open_findings(connection)
    told: dict[str | None, list[AlertView]] = {}
    for alert in alert_list(connection, states=OPEN_STATES, source_ids=ids, limit=10_000):
        told.setdefault(alert.source_code, []).append(alert)
    return [
        InstrumentPresence(
            one,
            heard(one.watched, now, rule, watch.since),
            tuple(served.get(one.id, ())),
            tuple(told.get(one.code, ())),
            findings.get(one.id, 0),
        )
        for one in found
    ]
