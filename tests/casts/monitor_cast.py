"""A monitor whose days are posted and looked at: W-T2 of the fleet cast, at rest or rising."""

from datetime import timedelta

import numpy as np
from fleet_cast import T0, URL
from online_worlds import World

from app.domain.model import EventKind, Reading, Sample, ServiceEvent
from app.domain.watching.found import FoundOnline
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.watching.watch_days import watch_instrument
from app.store.database import Database
from app.store.registering.events import upsert_event
from app.store.registering.source_lookup import find_source

DAY = timedelta(days=1)
GASES = ("h2", "ch4", "c2h6", "c2h4", "c2h2")
Y, DRIVERS = (part[0] for part in World(own=0.03, wild=0.0).made(np.random.default_rng(5), 1, 700))


def post(
    database: Database, begin: int, end: int, per_day: float = 0.0, since: int = 0, level: float = 0.0
) -> None:
    """A reading a day of W-T2-M at noon; from day ``since`` on H2 and CH4 rise by so much a day, all stand higher."""
    some = []
    for day in range(begin, end):
        rise = per_day * max(day - since, 0)
        numbers = np.exp(Y[day] - 1.8 + np.array([rise, rise, 0.0, 0.0, -3.0]) + level)
        readings = {gas: Reading(gas, value=float(v)) for gas, v in zip(GASES, numbers, strict=True)}
        readings["oil_temperature"] = Reading("oil_temperature", value=float(DRIVERS[day, 0]))
        some.append(Sample("W-T2", "main", "W-T2-M", T0 + day * DAY + DAY / 2, readings))
    record_samples(database, "W-T2-M", some, T0 + end * DAY, BatchTerms(URL))


def look(database: Database, day: int) -> FoundOnline:
    (found,) = watch_instrument(database, source_id(database), T0 + day * DAY + DAY / 12, URL)
    return found


def source_id(database: Database) -> int:
    with database.read() as connection:
        source = find_source(connection, "W-T2-M")
    assert source is not None
    return source.id


def record(database: Database, kind: EventKind, day: int) -> None:
    with database.write() as connection:
        upsert_event(connection, ServiceEvent("W-T2", "main", T0 + day * DAY + DAY / 24, kind))
