"""A laboratory's file, previewed and imported with interpretation, beside pandas and a bare insert of the same file."""

import io
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from bench_timing import Timed, tell

from app.intake.files.laboratory import read_laboratory_file
from app.intake.files.profile import load_profile
from app.services.files.import_file import import_file, preview
from app.services.recording.record_samples import BatchTerms
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.keeping import migrate

NOW = datetime(2026, 1, 1, tzinfo=UTC)
FIRST = datetime(2010, 1, 1, 10, tzinfo=UTC)
LEVELS = np.array([45, 20, 15, 12, 8, 0.4, 300, 3000, 5000, 60_000, 10.0])
"""Oil temperature, then hydrogen to water, in the order of the file's columns."""
PROFILE = load_profile("quillfen")
COLUMNS = [column.column for column in PROFILE.readings if not column.optional]


def fleet_text(units: int) -> str:
    main = "compartments: [{{name: main, kind: main_tank}}]"
    asset = f"  - {{{{code: T{{0}}, name: T{{0}}, site: S, year_energized: 1990, {main}}}}}\n"
    assets = "".join(asset.format(i) for i in range(units))
    head = "sites:\n  - {code: S, name: S, time_zone: CET}\n"
    return f"{head}laboratories:\n  - {{code: LAB, name: Laboratory, profile: quillfen}}\nassets:\n{assets}"


def file_of(units: int, each: int) -> bytes:
    """A file of ``each`` samples of every unit, a hundred days apart, that rise slowly and scatter by 5 %."""
    rng = np.random.default_rng(20_261_125)
    out = io.StringIO()
    head = ["Plant no.", "Serial no.", "Drawn on", "Drawn at", "Oil of", "Lab no.", "Remark", *COLUMNS]
    out.write(";".join(head) + "\r\n")
    for unit in range(units):
        values = LEVELS * rng.lognormal(0.0, 0.05, (each, len(LEVELS)))
        values[:, 1:] *= (1.0 + np.arange(each) / 200.0)[:, None]
        values[:, 0] = LEVELS[0]
        for k in range(each):
            at = FIRST + timedelta(days=100 * k)
            cells = ";".join(f"{value:.2f}".replace(".", ",") for value in values[k])
            out.write(f"T{unit};;{at:%d.%m.%Y};{at:%H:%M};Main tank;{unit}-{k};;{cells}\r\n")
    return out.getvalue().encode("cp1252")


def run_file(units: int, each: int) -> Iterator[str]:
    """Wall time of one run each: the whole takes long, and the disk takes part."""
    content, rows = file_of(units, each), units * each
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{folder}/ullage.db")
        migrate.upgrade(database)
        load_fleet(database, fleet_text(units), "fleet.yaml")
        bare = _once("pandas.read_csv and a bare insert, committed", rows, lambda: _bare(content, folder))
        context = BatchTerms("http://ullage.example")
        title = f"a laboratory's file of {rows:,} rows, {units:,} units, {len(content) / 1e6:.1f} MB"
        works: tuple[tuple[str, Callable[[], object]], ...] = (
            ("read: every cell checked, nothing stored", lambda: _read(content, rows)),
            ("preview, with interpretation", lambda: preview(database, content, "a.csv", "LAB", NOW)),
            (
                "import, with interpretation and alerts",
                lambda: _import(database, content, rows, context),
            ),
        )
        try:
            for name, work in works:
                yield tell(
                    f"{title}: {name.partition(',')[0].partition(':')[0]}", _once(name, rows, work), bare
                )
        finally:
            database.dispose()


def _once(name: str, rows: int, work: Callable[[], object]) -> Timed:
    start = time.perf_counter()
    work()
    return Timed(name, rows, (max(time.perf_counter() - start, 1e-9),))


def _read(content: bytes, rows: int) -> None:
    found, problems = read_laboratory_file(content, PROFILE)
    assert (len(found), problems) == (rows, [])


def _import(database: Database, content: bytes, rows: int, context: BatchTerms) -> None:
    done = import_file(database, content, "a.csv", "LAB", "benchmark", NOW, context)
    assert (done.problems, done.counts["new"]) == ((), rows)


def _bare(content: bytes, folder: str) -> None:
    frame = pd.read_csv(io.BytesIO(content), sep=";", decimal=",", encoding="cp1252")
    connection = sqlite3.connect(Path(folder) / "bare.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(f"CREATE TABLE bare ({', '.join(f'c{i}' for i in range(len(frame.columns)))})")
    connection.execute("BEGIN IMMEDIATE")
    marks = ", ".join("?" * len(frame.columns))
    connection.executemany(f"INSERT INTO bare VALUES ({marks})", frame.astype(object).itertuples(index=False))
    connection.execute("COMMIT")
    connection.close()
