"""How PostgreSQL and SQLite find samples: the statements of the record path, corrections, files, pages, API and
worker, each explained.

The statements are those that the services issue while they are driven here, not copies of them. There are enough
readings, analyzed, that reading a table from end to end would be a choice.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient
from fleet_cast import DATA, quiet

from app.config import load_settings
from app.domain.model import Reading, Source, SourceKind
from app.intake.files.profile import load_profile
from app.services.alerting.end_shelves import end_shelves
from app.services.correcting.put_right import (
    Place,
    edit_sample,
    exclude_sample,
    move_sample,
    restore_sample,
    undo_file,
)
from app.services.files.import_file import ImportChoices, import_file, preview
from app.services.instruments.check_silence import check_silence
from app.services.recording.record_samples import BatchTerms
from app.services.registering import register
from app.services.registering.load_fleet import load_fleet
from app.services.rejudging.judge_again import judge_again
from app.store.correcting.corrections import By, Contents
from app.store.database import Database
from app.store.partitions import ensure_months
from app.store.registering.registration import upsert_source
from app.store.schema import files
from app.web.app import create_app

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
MONTHS = 12
UNITS = 40
QUIET = quiet("c2h2", "o2", "n2", h2=21.0, ch4=6.0)
DRIVEN = {
    "post",
    "/",
    "/assets/X-7",
    "edit",
    "exclude",
    "restore",
    "move",
    "export",
    "import",
    "undo",
    "judge",
}
"""Some of what must have read samples."""
OF_A_WHOLE_UNIT = {"export", "judge again"}
SCANNING = "SELECT count(*) FROM samples WHERE h2 > 1"
"""What must be noticed."""
IN_EVERY_MONTH = re.compile(r"WHERE\s+samples\.(id (=|IN)|file_id =)|samples\.source_id > ")
"""What only an id or a file is known of, and who ever measured at a compartment, is looked up in every month."""


@dataclass
class Driven:
    """A service that was driven, and what it said to the database about samples: (statement, parameters, by what)."""

    database: Database
    said: dict[str, tuple[Any, str]] = field(default_factory=dict)
    doing: str = ""
    did: set[str] = field(default_factory=set)
    """All that said anything, also what others had said before."""

    @contextmanager
    def listening(self) -> Iterator[None]:
        def note(_c: Any, _cursor: Any, statement: str, parameters: Any, _x: Any, many: bool) -> None:
            if re.search(r"\bsamples\b", statement) and not statement.startswith("INSERT"):
                self.said.setdefault(statement, (parameters[0] if many else parameters, self.doing))
                self.did.add(self.doing.split()[0])

        sa.event.listen(self.database.engine, "before_cursor_execute", note)
        try:
            yield
        finally:
            sa.event.remove(self.database.engine, "before_cursor_execute", note)


def fill(database: Database, units: int, step_hours: int) -> None:
    """A year of on-line readings of many units, and thirty years of laboratory samples."""
    load_fleet(database, (DATA / "fleet.yaml").read_text(encoding="utf-8"), "fleet.yaml")
    begin = datetime(2025, 12, 1, tzinfo=UTC)
    with database.write() as connection:
        upsert_source(connection, Source("LAB-2", "Another laboratory", SourceKind.LABORATORY))
        ensure_months(connection, [begin + timedelta(days=28 * i) for i in range(MONTHS + 2)])
        run = connection.exec_driver_sql
        run(
            f"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {units})"
            " INSERT INTO assets (site_id, code, name, kind, liquid, preservation, tap_changer, norm_set, paper)"
            " SELECT 1, 'X-' || i, 'X', 'transformer', 'mineral_oil', 'sealed', 'none', 'ieee_c57_104_2019', 'unknown'"
            " FROM n"
        )
        run(
            "INSERT INTO compartments (asset_id, name, kind)"
            " SELECT id, 'main', 'main_tank' FROM assets WHERE name = 'X'"
        )
        run(
            "INSERT INTO sources (code, name, kind, asset_id, expected_interval_minutes)"
            " SELECT code || '-M', 'M', 'instrument', id, 60 FROM assets WHERE name = 'X'"
        )
        run(
            "INSERT INTO source_compartments SELECT s.id, c.id FROM sources s JOIN compartments c"
            " ON c.asset_id = s.asset_id WHERE s.name = 'M'"
        )
        _series(connection, "source_compartments", (begin, NOW), timedelta(hours=step_hours), online=True)
        lab = "(SELECT c.id AS compartment_id, s.id AS source_id FROM compartments c JOIN sources s ON s.code = 'LAB')"
        _series(connection, lab, (NOW - timedelta(days=30 * 365), NOW), timedelta(days=14), online=False)
        run(
            "INSERT INTO instrument_states (source_id, heard_at, newest_taken_at, token)"
            " SELECT source_id, max(received_at), max(taken_at), 0 FROM samples WHERE online GROUP BY source_id"
        )
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE")


def _series(
    connection: sa.Connection, pairs: str, span: tuple[datetime, datetime], step: timedelta, *, online: bool
) -> None:
    """A quiet sample of each (compartment, source) every ``step``."""
    times = [span[0] + i * step for i in range((span[1] - span[0]) // step)]
    plain = connection.dialect.name == "sqlite"
    connection.exec_driver_sql("CREATE TEMPORARY TABLE times (at TIMESTAMP WITH TIME ZONE)")
    values = [(f"{at:%Y-%m-%d %H:%M:%S.%f}" if plain else at.isoformat(),) for at in times]
    connection.exec_driver_sql(f"INSERT INTO times VALUES ({'?' if plain else '%s'})", values)
    connection.exec_driver_sql(
        "INSERT INTO samples (compartment_id, source_id, taken_at, revision, current, received_at, online, suspect,"
        f" below, unjudged, status, rule_set, {', '.join(QUIET)}) SELECT compartment_id, source_id, at, 1, true, at,"
        f" {str(online).lower()}, false, 0, 0, 1, 'x', {', '.join(str(v) for v in QUIET.values())}"
        f" FROM times CROSS JOIN {pairs} AS pairs"
    )
    connection.exec_driver_sql("DROP TABLE times")


def drive(database: Database) -> Driven:
    """Post as instruments do, read as people and programs do, work as the worker does."""
    driven = Driven(database)
    settings = load_settings({"ULLAGE_DATABASE_URL": database.url.render_as_string(hide_password=False)})
    with (
        TestClient(create_app(settings, database, lambda: NOW), base_url="http://localhost") as client,
        driven.listening(),
    ):
        _post(driven, client, register.issue_instrument_key(database, "X-7-M", NOW))
        _read(driven, client, register.issue_registrar_key(database, NOW))
        _put_right(driven)
        _take_and_give(driven, client)
        driven.doing = "judge again"
        judge_again(database, [_newest(database, "online")[1]], "another norm", NOW)
        driven.doing = "silence"
        check_silence(database, NOW, settings.silence_rule, "http://localhost")
        driven.doing = "shelves"
        end_shelves(database, NOW, "http://localhost")
    return driven


def _post(driven: Driven, client: TestClient, key: str) -> None:
    high = QUIET | {"h2": 900.0, "ch4": 800.0, "c2h4": 900.0, "c2h2": 60.0}

    def post(doing: str, *samples: tuple[timedelta, dict[str, float]]) -> None:
        driven.doing = f"post {doing}"
        body = [{"taken_at": (NOW - ago).isoformat(), "compartment": "main", **of} for ago, of in samples]
        answer = client.post(
            "/api/v1/samples", json={"samples": body}, headers={"Authorization": f"Bearer {key}"}
        )
        assert answer.status_code == 200, answer.text
        assert {one["result"] for one in answer.json()["outcomes"]} <= {"stored", "revised"}, answer.text

    post("one", (timedelta(minutes=50), QUIET))
    post("many", *((timedelta(minutes=49, seconds=-i), QUIET) for i in range(60)))
    post("what alarms", (timedelta(minutes=40), high), (timedelta(minutes=39), high))
    post("a revision", (timedelta(minutes=39), high | {"h2": 950.0}))
    post("late", (timedelta(days=90, minutes=7), QUIET))


def _read(driven: Driven, client: TestClient, key: str) -> None:
    ids = [_newest(driven.database, which)[0] for which in ("online", "NOT online")]
    pages = ["/", "/?q=X-7", "/assets/X-7", "/assets/X-7?before=2026-06-01T00:00:00Z", "/alerts", "/alerts/1"]
    pages += [f"/samples/{one}" for one in ids] + [
        "/instruments",
        "/instruments/X-7-M",
        "/files",
        "/upload",
        "/mail",
    ]
    figure = "/assets/X-7/figures/{}?compartment=main"
    pages += [figure.format("trend") + f"&range={one}" for one in ("1m", "6m", "1y", "5y", "all")]
    pages += [figure.format("diagrams"), "/metrics", "/health"]
    api = [
        "assets/X-7/samples",
        "assets/X-7/samples?limit=5&from=2026-10-01T00:00:00Z&to=2026-10-20T00:00:00Z",
        "assets/X-7/assessment",
        f"samples/{ids[0]}",
    ]
    for path in pages + [f"/api/v1/{path}" for path in api]:
        driven.doing = path
        assert _get(client, path, key).status_code in {200, 404}, path
    driven.doing = "the next page"
    cursor = _get(client, "/api/v1/assets/X-7/samples?limit=5", key).json()["next_cursor"]
    assert _get(client, f"/api/v1/assets/X-7/samples?limit=5&cursor={cursor}", key).status_code == 200


def _newest(database: Database, which: str) -> tuple[int, int]:
    """Ids of the newest sample of the unit, on-line or of a laboratory, and of its compartment; asked in secret."""
    query = (
        f"SELECT max(id), compartment_id FROM samples WHERE {which} AND current AND compartment_id ="
        " (SELECT c.id FROM compartments c JOIN assets a ON a.id = c.asset_id WHERE a.code = 'X-7')"
        " GROUP BY compartment_id"
    )
    quiet = sa.create_engine(database.url)
    with quiet.connect() as connection:
        found = connection.exec_driver_sql(query).one()
    quiet.dispose()
    return found[0], found[1]


def _put_right(driven: Driven) -> None:
    """Every kind of correction, of a reading among many and of a laboratory's."""
    database, by = driven.database, By("A. Author", "digits swapped", NOW)
    for which in ("online", "NOT online"):
        sample_id, _ = _newest(database, which)
        contents = Contents({n: Reading(n, value=v + 1.0) for n, v in QUIET.items()}, None, "put right")
        driven.doing = f"edit {which}"
        sample_id = edit_sample(database, sample_id, contents, by, "http://localhost")
        driven.doing = f"exclude {which}"
        exclude_sample(database, sample_id, by, "http://localhost")
        driven.doing = f"restore {which}"
        restore_sample(database, sample_id, by, "http://localhost")
        driven.doing = f"move {which}"
        move_sample(
            database,
            sample_id,
            Place("X-7", "main", NOW - timedelta(days=3, minutes=7)),
            by,
            "http://localhost",
        )


def _take_and_give(driven: Driven, client: TestClient) -> None:
    """A unit's samples as files, one of them taken in under another laboratory's name, and that undone."""
    driven.doing = "export"
    for kind in ("samples", "assessments", "alerts"):
        answer = client.get(f"/exports/{kind}.csv?asset=X-7")
        assert answer.status_code == 200, answer.text
    content = client.get("/exports/samples.csv?asset=X-5").content
    lines = content.replace(b"X-5", b"X-6").splitlines(keepends=True)
    head, some = lines[0], [line for line in lines[1:] if b"LAB" in line][-20:]
    assert len(some) == 20
    taken = head + b"".join(line.replace(b"LAB", b"LAB-2") for line in some)
    driven.doing = "preview"
    choices = ImportChoices(profile=load_profile("ullage"))
    assert preview(driven.database, taken, "a.csv", "LAB-2", NOW, choices).problems == ()
    driven.doing = "import"
    context = BatchTerms("http://localhost")
    done = import_file(driven.database, taken, "a.csv", "LAB-2", "A. Author", NOW, context, choices)
    assert done.stored, done.problems
    with driven.database.read() as connection:
        file_id = connection.execute(sa.select(sa.func.max(files.c.id))).scalar_one()
    driven.doing = "the file"
    assert client.get(f"/files/{file_id}").status_code == 200
    driven.doing = "undo"
    by = By("A. Author", "wrong laboratory", NOW)
    assert undo_file(driven.database, file_id, by, "http://localhost").excluded == 20


def _get(client: TestClient, path: str, key: str) -> Any:
    return client.get(path, headers={"Authorization": f"Bearer {key}"} if path.startswith("/api") else {})


# --- PostgreSQL -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """What a statement did: tables of samples that it read at all, and those that it read from end to end."""

    statement: str
    doing: str
    read: frozenset[str]
    scanned: frozenset[str]


def explained(driven: Driven) -> list[Plan]:
    """Each statement run once more, with its own parameters, and taken back."""
    plans = []
    with driven.database.engine.connect() as connection:
        query = (
            "SELECT relname FROM pg_class WHERE relname LIKE 'samples%%' AND relkind = 'r' AND reltuples <= 0"
        )
        empty = set(connection.exec_driver_sql(query).scalars())
        cursor = connection.connection.cursor()
        for statement, (parameters, doing) in driven.said.items():
            cursor.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}", parameters)
            answer = cursor.fetchone()
            assert answer is not None
            nodes = list(_nodes(answer[0][0]["Plan"]))
            # of the whole only the node that changes rows says "samples"
            of_samples = [
                n for n in nodes if n.get("Relation Name", "").startswith("samples_") and n["Actual Loops"]
            ]
            read = frozenset(n["Relation Name"] for n in of_samples) - empty
            scanned = {n["Relation Name"] for n in of_samples if n["Node Type"] == "Seq Scan"} - empty
            plans.append(Plan(statement, doing, read, frozenset(scanned)))
            connection.rollback()
    return plans


def _nodes(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for below in node.get("Plans", ()):
        yield from _nodes(below)


@pytest.mark.postgresql
def test_postgresql_reads_no_month_from_end_to_end_and_only_those_it_needs(
    postgresql_database: Database,
) -> None:
    fill(postgresql_database, UNITS, 1)
    driven = drive(postgresql_database)
    plans = explained(driven)
    assert len(plans) > 15
    assert driven.did >= DRIVEN
    assert [f"{plan.doing}: {plan.statement}" for plan in plans if plan.scanned] == []
    driven.said = {**driven.said, SCANNING: ({}, "a scan")}
    assert len(explained(driven)[-1].scanned) == MONTHS + 1
    for plan in plans:
        months = {name for name in plan.read if name != "samples_laboratory"}
        every = plan.doing in OF_A_WHOLE_UNIT or IN_EVERY_MONTH.search(plan.statement)
        most = MONTHS if every else _months_needed(driven, plan)
        assert len(months) <= most, f"{plan.doing} reads {sorted(months)}: {plan.statement}"


def _months_needed(driven: Driven, plan: Plan) -> int:
    """The months between the times that a statement gives; two where it gives none: the newest, and the one before
    for what comes before the newest."""
    parameters = driven.said[plan.statement][0]
    times = [v for v in parameters.values() if isinstance(v, datetime)]
    if len(times) < 2:
        return 2
    return (max(times).year - min(times).year) * 12 + max(times).month - min(times).month + 1


# --- SQLite -----------------------------------------------------------------------------------------------


def scans(driven: Driven) -> list[str]:
    """Steps that go through samples without an index to find them by."""
    found = []
    with driven.database.engine.connect() as connection:
        for statement, (parameters, doing) in driven.said.items():
            steps = [
                row[3] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            ]
            names = {"samples", *re.findall(r"samples AS (\w+)", statement)}
            for step in steps:
                scan = re.match(r"SCAN (\w+)", step)
                if scan and scan[1] in names:
                    found.append(f"{doing}: {step}: {statement}")
    return found


def test_sqlite_scans_no_samples(sqlite_database: Database) -> None:
    fill(sqlite_database, 8, 24)
    driven = drive(sqlite_database)
    assert driven.did >= DRIVEN
    assert scans(driven) == []
    driven.said[SCANNING] = ((), "a scan")
    assert len(scans(driven)) == 1
