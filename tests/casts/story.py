"""A small cast for the tests of the pages: two sites, six assets, three sources, one worker.

Rows go in through the store's tables; what the engine says of them is the engine's own word. All names are
invented. ``NOW`` is the time the story is told at, and what ``clock`` says for ever: the pages show the same at any
hour.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from app.domain.judging.engine import assess
from app.domain.judging.frame import frame_of
from app.domain.judging.report import ReportOptions, report
from app.science.quantities import INDEX, NAMES
from app.store import schema as tables
from app.store.database import Connection, Database
from app.store.judging import assessments
from app.store.partitions import ensure_months

NOW = datetime(2026, 3, 11, 9, 30, tzinfo=UTC)
GASES = ("h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "o2", "n2", "water", "oil_temperature")

ARCING = (
    # months ago, then the gases above; a negative number -L is "below L"
    (50, 12, 8, 4, 6, -0.5, 310, 2600, 18000, 52000, 11, 41),
    (38, 14, 9, 5, 7, -0.5, 330, 2750, 18500, 53000, 12, 44),
    (26, 15, 10, 5, 8, -0.5, 350, 2900, 18200, 52500, 12, 40),
    (14, 18, 11, 6, 10, 0.8, 362, 2980, 18900, 53100, 13, 45),
    (8, 25, 14, 6, 15, 3.1, 371, 3050, 19100, 53000, 13, 47),
    (4, 61, 27, 8, 34, 19, 384, 3120, 19000, 52800, 14, 46),
    (1.2, 132, 58, 11, 79, 64, 395, 3190, 18800, 52900, 15, 48),
    (0.15, 188, 77, 13, 112, 103, 402, 3230, 18900, 52700, 15, 49),
)
WARM = (
    (30, 18, 40, 48, 30, -1, 420, 4100, 3100, 61000, 8, 52),
    (18, 22, 52, 60, 36, -1, 430, 4300, 3000, 60500, 9, 55),
    (6, 24, 88, 92, 44, -1, 455, 4500, 2900, 60900, 9, 54),
    (0.5, 27, 97, 99, 47, -1, 470, 4650, 3000, 61100, 9, 56),
)
QUIET = (
    (25, -5, 3, 2, -1, -0.5, 210, 1800, 2100, 58000, 6, 38),
    (13, -5, 4, 2, 1, -0.5, 220, 1850, 2200, 58100, 6, 39),
    (1, 6, 4, 3, 1, -0.5, 225, 1900, 2100, 58200, 7, 37),
)
JUMP = (
    (24, 9, 6, 4, 3, -0.3, 180, 1500, 2300, 57000, 5, 35),
    (12, 10, 6, 5, 3, -0.3, 190, 1550, 2400, 57200, 5, 36),
    (0.2, 12, 9, 6, 3, 0.9, 200, 1600, 2300, 57100, 6, 37),
)


def clock() -> datetime:
    """The application's clock in the story."""
    return NOW


def tell(database: Database) -> None:
    """Fill an empty, migrated database with the story as it stands at ``NOW``."""
    now = NOW
    with database.write() as connection:
        _sites(connection)
        main = {
            code: _asset(connection, code, *rest)
            for code, *rest in (
                ("BW-T1", "Brackwater transformer 1", 1, 132.0, 60.0, 1998, "separate"),
                ("BW-T2", "Brackwater transformer 2", 1, 132.0, 60.0, 2004, "none"),
                ("BW-T3", "Brackwater auxiliary", 1, 11.0, 2.0, 2019, "none"),
                ("SP-T7", "Sandry rectifier transformer", 2, 33.0, 25.0, None, "communicating"),
                ("SP-R2", "Sandry line reactor", 2, 220.0, 40.0, 2025, "none"),
                ("SP-T9", "Sandry furnace transformer", 2, 33.0, 35.0, 2011, "none"),
            )
        }
        _compartment(connection, main["BW-T1"], "tap", "tap_changer")
        _source(connection, 1, "lab-orrin", "Orrin Oil Laboratory", "laboratory")
        _source(connection, 2, "mon-bw-t1", "Monitor BW-T1", "instrument", main["BW-T1"])
        _source(connection, 3, "mon-sp-t9", "Hydrogen monitor SP-T9", "instrument", main["SP-T9"])
        _source(connection, 4, "mon-sp-r2", "Monitor SP-R2", "instrument", main["SP-R2"])
        _laboratory(connection, main["BW-T1"], ARCING, now, 1998)
        _laboratory(connection, main["BW-T2"], WARM, now, 2004)
        _laboratory(connection, main["BW-T3"], QUIET, now, 2019)
        _laboratory(connection, main["SP-T7"], JUMP, now, None)
        _monitor(connection, main["BW-T1"], 2, now, ("h2", 150.0, 40.0), ("c2h2", 80.0, 24.0))
        _monitor(connection, main["SP-T9"], 3, now, ("h2", 9.0, 1.0))
        _asides(connection, main["BW-T1"], main["BW-T2"], now)
        _alerts(connection, main, now)
        _silence(connection, now)
        _count_on(connection)


def _count_on(connection: Connection) -> None:
    """The story gives some rows their ids; PostgreSQL is told to count on from there."""
    if connection.dialect.name == "postgresql":
        for table in (tables.sites, tables.sources, tables.contacts):
            newest = sa.select(sa.func.max(table.c.id)).scalar_subquery()
            sequence = sa.func.pg_get_serial_sequence(table.name, "id")
            connection.execute(sa.select(sa.func.setval(sequence, newest)))


def _sites(connection: Connection) -> None:
    connection.execute(
        sa.insert(tables.sites),
        [
            {"id": 1, "code": "brackwater", "name": "Brackwater", "time_zone": "Europe/Helsinki"},
            {"id": 2, "code": "sandry", "name": "Sandry Plant", "time_zone": "America/Halifax"},
        ],
    )
    connection.execute(
        sa.insert(tables.contacts),
        [{"id": 1, "code": "planner", "name": "P. Lanner", "email": "planner@example.org"}],
    )


def _asset(connection: Connection, *given: Any) -> int:
    code, name, site, kv, mva, year, tap = given
    row = {
        "code": code,
        "name": name,
        "site_id": site,
        "kind": "reactor" if "reactor" in name else "transformer",
        "serial": f"S-{code}-417",
        "manufacturer": "Tarn Works",
        "year_energized": year,
        "rated_kv": kv,
        "rated_mva": mva,
        "liquid": "mineral_oil",
        "oil_volume_l": 28_000.0,
        "preservation": "free_breathing",
        "tap_changer": tap,
        "norm_set": "ieee_c57_104_2019",
        "paper": "unknown",
    }
    asset_id = _insert(connection, tables.assets, row)
    return _compartment(connection, asset_id, "main", "main_tank")


def _insert(connection: Connection, table: sa.Table, row: dict[str, Any]) -> int:
    key = connection.execute(sa.insert(table).values(row)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _compartment(connection: Connection, asset_id: int, name: str, kind: str) -> int:
    row = {"asset_id": asset_id, "name": name, "kind": kind, "oil_volume_l": None}
    return _insert(connection, tables.compartments, row)


def _source(
    connection: Connection, key: int, code: str, name: str, kind: str, compartment: int | None = None
) -> None:
    row: dict[str, Any] = {"id": key, "code": code, "name": name, "kind": kind}
    row["profile"] = "quillfen" if kind == "laboratory" else None
    if compartment is not None:
        query = sa.select(tables.compartments.c.asset_id).where(tables.compartments.c.id == compartment)
        row["asset_id"] = connection.execute(query).scalar_one()
        row["expected_interval_minutes"] = 240
    connection.execute(sa.insert(tables.sources).values(row))
    if compartment is not None:
        link = {"source_id": key, "compartment_id": compartment}
        connection.execute(sa.insert(tables.source_compartments).values(link))


def _laboratory(
    connection: Connection,
    compartment: int,
    rows: tuple[tuple[float, ...], ...],
    now: datetime,
    year: int | None,
) -> None:
    times = [now - timedelta(days=30.4 * row[0]) for row in rows]
    numbers = [[abs(row[GASES.index(n) + 1]) if n in GASES else None for n in NAMES] for row in rows]
    below = [[n in GASES and row[GASES.index(n) + 1] < 0 for n in NAMES] for row in rows]
    age = None if year is None else (now - datetime(year, 7, 1, tzinfo=UTC)).days / 365.2425
    nan = [[float("nan") if v is None else v for v in line] for line in numbers]
    judged = assess(frame_of([0] * len(rows), times, nan, below, age=age))
    for i, at in enumerate(times):
        values = {
            "compartment_id": compartment,
            "source_id": 1,
            "taken_at": at,
            "revision": 1,
            "current": True,
            "received_at": at + timedelta(days=3),
            "laboratory_number": f"OOL-{4100 + i}",
            "online": False,
            "suspect": False,
            "unjudged": 0,
            "below": sum(1 << k for k, hidden in enumerate(below[i]) if hidden),
            **dict(zip(NAMES, numbers[i], strict=True)),
        }
        sample = _insert(connection, tables.samples, values)
        assessments.save(connection, [assessments.Judged(sample, at, report(judged, i))], at)


def _monitor(
    connection: Connection, compartment: int, source: int, now: datetime, *gases: tuple[str, float, float]
) -> None:
    """Four-hourly readings of the last 40 days that rise evenly by the amount given."""
    count = 40 * 6
    times = [now - timedelta(hours=4 * (count - i)) for i in range(count)]
    lines = []
    for i in range(count):
        line = [float("nan")] * len(NAMES)
        for name, start, rise in gases:
            line[INDEX[name]] = round(start + rise * i / count + 0.8 * ((i * 7) % 5 - 2), 2)
        lines.append(line)
    judged = assess(frame_of([0] * count, times, lines, age=20.0, online=True))
    readings = [
        {name: None if line != line else line for name, line in zip(NAMES, values, strict=True)}
        for values in lines
    ]
    same = {"compartment_id": compartment, "source_id": source, "revision": 1, "current": True, "below": 0}
    same |= {"online": True, "suspect": False, "unjudged": 0}
    ensure_months(connection, times)
    connection.execute(
        sa.insert(tables.samples),
        [
            {**same, **values, "taken_at": at, "received_at": at}
            for at, values in zip(times, readings, strict=True)
        ],
    )
    stored = sa.select(tables.samples.c.id).where(tables.samples.c.source_id == source)
    ids = connection.execute(stored.order_by(tables.samples.c.taken_at)).scalars().all()
    for i in range(count):
        told = report(judged, i, ReportOptions(detailed=i == count - 1))
        assessments.save(connection, [assessments.Judged(ids[i], times[i], told)], times[i])
    connection.execute(
        sa.insert(tables.daily_summaries),
        [
            {
                "compartment_id": compartment,
                "source_id": source,
                "day": times[i].date(),
                "count": 6,
                "below": 0,
                "ranges": {},
            }
            | readings[i]
            for i in range(5, count, 6)
        ],
    )


def _asides(connection: Connection, arcing: int, warm: int, now: datetime) -> None:
    """An excluded sample, a superseded revision, service events, a heartbeat."""
    base = {"compartment_id": arcing, "source_id": 1, "received_at": now, "below": 0, "h2": 900.0, "ch4": 2.0}
    base |= {"online": False, "suspect": False, "unjudged": 0}
    excluded = {
        "excluded_at": now,
        "excluded_by": "M. Reader",
        "excluded_because": "air bubble in the syringe",
    }
    at = now - timedelta(days=60)
    connection.execute(
        sa.insert(tables.samples).values(**base, **excluded, taken_at=at, revision=1, current=True)
    )
    at = now - timedelta(days=200)
    connection.execute(sa.insert(tables.samples).values(**base, taken_at=at, revision=1, current=False))
    for compartment, days_ago, kind, note in (
        (arcing, 300, "through_fault", "close-in fault on feeder 4"),
        (arcing, 900, "tap_changer_work", "diverter contacts renewed"),
        (warm, 500, "degassing", ""),
    ):
        at = now - timedelta(days=days_ago)
        row = {"compartment_id": compartment, "at": at, "kind": kind, "note": note}
        connection.execute(sa.insert(tables.service_events).values(row))
    connection.execute(sa.insert(tables.heartbeats).values(worker="worker-1", at=now - timedelta(seconds=2)))


def _alerts(connection: Connection, main: dict[str, int], now: datetime) -> None:
    for code, condition, state, severity, headline, who in (
        ("BW-T1", "gassing", "unacknowledged", 3, "Status 3 (high), D2 high-energy discharge", None),
        ("BW-T2", "gassing", "acknowledged", 2, "Status 2 (intermediate), T1 thermal fault", "M. Reader"),
        ("SP-T7", "confirmation", "unacknowledged", 2, "C₂H₂ rose: take a confirmation sample", None),
        ("BW-T3", "gassing", "normal", 0, "Status 1 (low)", None),
    ):
        at = now - timedelta(days=5)
        row = {
            "compartment_id": main[code],
            "condition": condition,
            "state": state,
            "severity": severity,
            "opened_at": at,
            "changed_at": at,
            "headline": headline,
            "acknowledged_by": who,
            "memory": {},
        }
        alert = _insert(connection, tables.alerts, row)
        raised = {
            "alert_id": alert,
            "at": at,
            "from_state": "normal",
            "to_state": "unacknowledged",
            "reason": "raised",
            "severity": max(severity, 2),
            "note": headline,
        }
        event = _insert(connection, tables.alert_events, raised)
        if state != "normal":
            _mail(connection, event, alert, now, f"[Ullage] {code}: {headline}")


def _silence(connection: Connection, now: datetime) -> None:
    """The monitor of SP-T9 fell silent, and so did all of Sandry; that of BW-T1 is heard, another never was."""
    gone = now - timedelta(hours=30)
    for source, at in ((2, now - timedelta(hours=1)), (3, gone)):
        heard = {"source_id": source, "heard_at": at, "newest_taken_at": at, "token": 0}
        connection.execute(sa.insert(tables.instrument_states).values(heard))
    group = {"group": {"members": [3], "last": gone.isoformat(), "back_since": None}}
    for subject, condition, headline, memory in (
        ({"source_id": 3}, "silent", "Silent: last heard yesterday, expected every 4 h", {}),
        ({"site_id": 2}, "site_silent", "2 instruments fell silent together", {"sources": group}),
    ):
        row = {**subject, "condition": condition, "state": "unacknowledged", "severity": 2, "memory": memory}
        row |= {"opened_at": gone, "changed_at": now - timedelta(hours=14), "headline": headline}
        alert = _insert(connection, tables.alerts, row)
        raised = {"alert_id": alert, "at": now - timedelta(hours=14), "from_state": "normal"}
        raised |= {"to_state": "unacknowledged", "reason": "raised", "severity": 2, "note": headline}
        _insert(connection, tables.alert_events, raised)


def _mail(connection: Connection, event: int, alert: int, now: datetime, subject: str) -> None:
    state = {1: "sent", 2: "failed"}.get(alert, "queued")
    connection.execute(
        sa.insert(tables.messages).values(
            contact_id=1,
            alert_event_id=event,
            to_address="planner@example.org",
            subject=subject,
            text=f"{subject}\n\nTake a sample; see the unit's page.\n",
            html=f"<!doctype html><html lang='en'><title>mail</title><body><h1>{subject}</h1>"
            "<p style='color:#333'>Take a sample.</p></body></html>",
            message_id=f"<alert-{alert}-{event}@ullage.example.org>",
            thread_id=f"<alert-{alert}@ullage.example.org>",
            state=state,
            attempts={"sent": 1, "failed": 8}.get(state, 0),
            created_at=now - timedelta(minutes=3),
            next_attempt_at=now,
            sent_at=now - timedelta(minutes=2) if state == "sent" else None,
            last_error="550 no such mailbox" if state == "failed" else None,
        )
    )


HEADER = (
    "Plant no.;Serial no.;Drawn on;Drawn at;Oil of;Lab no.;Remark;Oil temperature (°C);Hydrogen (ppm);"
    "Methane (ppm);Ethane (ppm);Ethylene (ppm);Acetylene (ppm);Carbon monoxide (ppm);Carbon dioxide (ppm);"
    "Oxygen (ppm);Nitrogen (ppm);Water (mg/kg)"
)


def laboratory_file(*rows: str) -> bytes:
    """A file as the story's laboratory sends it: cp1252, semicolons, decimal commas."""
    return "\r\n".join((HEADER, *rows, "")).encode("cp1252")


GOOD_ROW = "BW-T3;S-BW-T3-417;{day};08:30;Main tank;{number};;39;7,5;5,1;3,2;1,4;<0,5;230;1950;2100;58100;7,2"
BAD_ROW = "BW-T3;S-BW-T3-417;{day};08:30;Main tank;{number};;39;7,5;-5;3,2;1,4;<0,5;many;1950;2100;58100;7,2"
