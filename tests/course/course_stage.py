"""Plays a course through the services, move by move, and notes what they say after each: alerts and mails included."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import sqlalchemy as sa
from course_model import Course, Move, Posted, Readings, Recorded, Sampled, Seen, Withdrawn

from app.config import Settings
from app.domain.findings import Assessment
from app.domain.judging.verdict import verdict
from app.domain.model import Reading, Sample
from app.jobs.duties import duties
from app.services.correcting.put_right import edit_sample, exclude_sample
from app.services.pages.asset_view import AssetView, Verdict, asset_view
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.registering.load_fleet import load_fleet
from app.store.correcting.corrections import By, Contents
from app.store.database import Database
from app.store.keeping import migrate
from app.store.schema import messages

TERMS: Final = BatchTerms("http://ullage.example")
ASSET: Final = "U-1"
MONITOR: Final = "U-1-M"
NOT_PLAYED: Final = frozenset({"beat", "end of shelves", "months ahead", "end of raw readings"})
"""Duties of the worker that no course asks for."""


def fleet_of(course: Course) -> dict[str, Any]:
    """The fleet file of a course: its unit, two laboratories, a monitor where it has one, and who is mailed."""
    unit = course.unit
    kinds = {"main": "main_tank", "tap changer": "tap_changer"}
    parts = [{"name": n, "kind": k} for n, k in kinds.items() if n in {"main", unit.compartment}]
    plate = {
        "code": ASSET,
        "name": "Unit 1",
        "site": "S",
        "year_energized": unit.year_energized,
        "rated_kv": unit.rated_kv,
        "rated_mva": 40,
        "oil_volume_l": 30000,
        "liquid": unit.liquid,
        "preservation": unit.preservation,
        "tap_changer": unit.tap_changer,
        "compartments": parts,
    }
    monitor = {"code": MONITOR, "name": "Monitor", "asset": ASSET, "expected_interval_minutes": 240}
    laboratories = [{"code": c, "name": f"Laboratory {c}", "profile": "ullage"} for c in ("LAB", "OTHER")]
    return {
        "sites": [{"code": "S", "name": "Site", "time_zone": "UTC"}],
        "contacts": [{"code": "P", "name": "Pell Anner", "email": "p@example.org", "sites": ["S"]}],
        "laboratories": laboratories,
        "assets": [plate],
        "instruments": [monitor] if unit.monitored else [],
        "service_events": [],
    }


class Stage:
    """A database with one unit, and what became known of it so far."""

    def __init__(self, database: Database, course: Course) -> None:
        self.database, self.course = database, course
        self.fleet = fleet_of(course)
        self.ids: list[int] = []
        """Of the laboratory samples, in the order of the course."""
        self._mails = 0
        self._duties = duties(database, Settings.model_validate({"public_url": TERMS.public_url}))
        load_fleet(database, json.dumps(self.fleet), "fleet.yaml")

    def play(self, number: int, move: Move) -> Seen:
        """One move, and what is said after it."""
        now = move.known_at
        what = self._do(move, now)
        if self.course.unit.monitored:
            for duty in self._duties:
                if duty.name not in NOT_PLAYED:
                    duty.work(now)
        return self._seen(number, move.at, what)

    def _do(self, move: Move, now: datetime) -> str:
        if isinstance(move, Sampled):
            self._record(
                move.laboratory, [_sample(self.course, move.laboratory, move.at, move.readings)], now
            )
            return "sample"
        if isinstance(move, Posted):
            self._record(MONITOR, [_sample(self.course, MONITOR, at, r) for at, r in move.readings], now)
            return "readings"
        if isinstance(move, Recorded):
            event = {"asset": ASSET, "compartment": self.course.unit.compartment, "kind": move.kind}
            self.fleet["service_events"].append(event | {"at": move.at.isoformat()})
            load_fleet(self.database, json.dumps(self.fleet), "fleet.yaml", now)
            return move.kind
        by = By("A. Author", "it was wrong", now)
        if isinstance(move, Withdrawn):
            exclude_sample(self.database, self.ids[move.number], by, TERMS.public_url)
            return "withdrawn"
        contents = Contents(_readings(move.readings), None, None)
        self.ids[move.number] = edit_sample(
            self.database, self.ids[move.number], contents, by, TERMS.public_url
        )
        return "corrected"

    def _record(self, source: str, batch: list[Sample], now: datetime) -> None:
        for outcome in record_samples(self.database, source, batch, now, TERMS):
            if outcome.result != "stored" or outcome.sample_id is None:
                raise ValueError(f"{self.course.name}: {outcome}")
            if source != MONITOR:
                self.ids.append(outcome.sample_id)

    def _seen(self, number: int, at: datetime, what: str) -> Seen:
        view = asset_view(self.database, ASSET, self.course.unit.compartment)
        if view is None:
            raise LookupError(self.course.name)
        open_alerts = {a.condition: a.severity for a in view.alerts if a.severity > 0}
        told: dict[str, Any] = {"number": number, "at": at, "what": what, "alerts": open_alerts}
        told["mails"] = self._new_mails()
        told["blind"] = _blind(view)
        lead = view.verdict
        if lead is None or lead.assessment is None:
            return Seen(**told)
        return Seen(**told, **_of_verdict(view, lead, lead.assessment))

    def _new_mails(self) -> tuple[str, ...]:
        with self.database.read() as connection:
            query = sa.select(messages.c.id, messages.c.subject).where(messages.c.id > self._mails)
            found = connection.execute(query.order_by(messages.c.id)).all()
        self._mails = max((row.id for row in found), default=self._mails)
        return tuple(row.subject for row in found)


def _blind(view: AssetView) -> bool:
    """Whether the page says that the watch cannot see small changes yet, and until when it cannot."""
    watches = [one.found.watch for one in view.online]
    said = [one.found.watching for one in view.online]
    return bool(view.not_watched) or any(
        watch.blind and f"until about {watch.blind_until}" in words
        for watch, words in zip(watches, said, strict=True)
    )


def _of_verdict(view: AssetView, lead: Verdict, said: Assessment) -> dict[str, Any]:
    course = view.course
    steps = lead.advice
    texts = [*(s.text for s in verdict(said)), *said.status_reasons, *(f.text for f in said.findings)]
    texts += [*(a.headline for a in view.alerts), *(course.why if course else ()), view.not_watched]
    texts += [text for one in view.online for text in (*one.found.course.why, one.found.watching)]
    return {
        "status": said.status,
        "suspect": said.suspect,
        "fault": said.fault.code if said.fault else None,
        "state": course.state if course else None,
        "gravity": course.gravity if course else None,
        "urgency": steps.urgency,
        "steps": tuple(a.text for a in steps.actions),
        "due": steps.next_sample_due,
        "rules": frozenset(f.rule for f in said.findings),
        "texts": tuple(dict.fromkeys(texts)),
    }


def _sample(course: Course, source: str, at: datetime, readings: Readings) -> Sample:
    return Sample(ASSET, course.unit.compartment, source, at, _readings(readings))


def _readings(readings: Readings) -> dict[str, Reading]:
    return {
        name: Reading(name, below=float(given[1:])) if isinstance(given, str) else Reading(name, given)
        for name, given in readings.items()
    }


def play(course: Course, database: Database) -> list[Seen]:
    """The whole course on an empty, migrated database."""
    stage = Stage(database, course)
    return [stage.play(number, move) for number, move in enumerate(course.moves)]


@contextmanager
def migrated() -> Iterator[Path]:
    """A migrated SQLite file to copy."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "migrated.db"
        database = Database(f"sqlite:///{path}")
        migrate.upgrade(database)
        with database.engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        database.dispose()
        yield path


def play_on_copy(course: Course, empty: Path) -> list[Seen]:
    """The whole course on a copy of a migrated SQLite file."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "ullage.db"
        shutil.copy(empty, path)
        database = Database(f"sqlite:///{path}")
        try:
            return play(course, database)
        finally:
            database.dispose()


def broken(course: Course, seen: list[Seen]) -> list[tuple[str, str, str]]:
    """Expectations that are not met: part, what was expected, what is."""
    found = [(e.part, e.words, e.check(seen)) for e in course.expects]
    return [one for one in found if one[2]]
