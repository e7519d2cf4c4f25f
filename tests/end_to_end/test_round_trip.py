"""The demo's whole record, exported, imported into an empty database: the same samples and the same judgements."""

import io
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from app.demo.fleet import read_fleet
from app.demo.history import Demo
from app.demo.setup import prepare
from app.intake.files.profile import load_profile
from app.services.exporting.export_files import Wanted, export
from app.services.files.import_file import ImportChoices, import_file
from app.services.recording.record_samples import BatchTerms
from app.services.registering.load_fleet import load_fleet
from app.store.database import Connection, Database
from app.store.schema import assessments, assets, compartments, samples, sources

END = datetime(2026, 3, 2, 12, tzinfo=UTC)
OWN = {"id", "compartment_id", "source_id", "received_at", "file_id", "file_line"}
"""Columns of a sample that are about this database and not about the sample."""
OF_THE_NEWEST = {"trends", "certainty", "norm_sets"}
"""Told of on-line readings for the newest one of a batch only, and the batches are others."""


def record(connection: Connection) -> dict[tuple[Any, ...], tuple[dict[str, Any], dict[str, Any] | None]]:
    """Every sample, how it stands, and what is told of it in full, by asset, compartment, source and time."""
    counting = sa.and_(assessments.c.sample_id == samples.c.id, assessments.c.superseded_at.is_(None))
    query = (
        sa.select(
            assets.c.code, compartments.c.name, sources.c.code.label("source"), samples, assessments.c.detail
        )
        .select_from(samples)
        .join(compartments, compartments.c.id == samples.c.compartment_id)
        .join(assets, assets.c.id == compartments.c.asset_id)
        .join(sources, sources.c.id == samples.c.source_id)
        .outerjoin(assessments, counting)
    )
    found = {}
    for row in connection.execute(query).mappings():
        key = (row[assets.c.code], row[compartments.c.name], row["source"], row[samples.c.taken_at])
        stored = {c.name: row[c] for c in samples.c if c.name not in OWN}
        detail = row[assessments.c.detail]
        if row["source"] != "QUILLFEN" and detail is not None:
            detail = {k: v for k, v in detail.items() if k not in OF_THE_NEWEST}
        found[key] = (stored, detail)
    return found


def test_the_demo_fleet_comes_back_the_same(migrated_sqlite: Path, tmp_path: Path) -> None:
    fleet = read_fleet()
    databases = []
    for name in ("before.db", "after.db"):
        shutil.copy(migrated_sqlite, tmp_path / name)
        databases.append(Database(f"sqlite:///{tmp_path / name}"))
    before, after = databases
    prepare(
        before, fleet, Demo(fleet.assets, fleet.service_events, END), "http://127.0.0.1:8750", lambda _: None
    )
    out = io.BytesIO()
    count = export(before, Wanted("samples"), out)
    load_fleet(after, fleet.text, "fleet.yaml")
    choices = ImportChoices(profile=load_profile("ullage"))
    done = import_file(
        after, out.getvalue(), "out.csv", "QUILLFEN", "A. Author", END, BatchTerms(""), choices
    )
    assert done.problems == ()
    assert done.counts["new"] == count > 8_000
    with before.read() as one, after.read() as other:
        expected, found = record(one), record(other)
    assert len(expected) == count
    assert found.keys() == expected.keys()
    assert [key for key, (sample, _) in expected.items() if found[key][0] != sample] == []
    told = {key for key, (_, detail) in expected.items() if detail is not None}
    assert len([key for key in told if key[2] == "QUILLFEN"]) == sum(key[2] == "QUILLFEN" for key in expected)
    # of on-line readings, those that moved an alert are told too, and which do hangs on what came together
    both = [key for key in told if found[key][1] is not None]
    assert len(both) > 0.9 * len(told)
    assert [key for key in both if found[key][1] != expected[key][1]] == []
    for database in databases:
        database.dispose()
