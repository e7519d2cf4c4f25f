"""Dangerous courses from the door to the mail: files through `ullage import`, readings through posts.

Whatever an expert would telephone about makes an event of an alert and one mail, and none eases by itself.
"""

import csv
import json
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np
import pytest
import sqlalchemy as sa
from command_cast import Run
from course_list import COURSES
from course_model import Course, Posted, Readings, Recorded, Sampled, Unit
from course_stage import ASSET, MONITOR, fleet_of
from courses_online import monitor
from numpy.typing import NDArray
from served import Service, free_port, kill

from app.config import Settings
from app.jobs.worker import make_transport
from app.science.quantities import NAMES
from app.services.mailing.deliver import deliver_next
from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key
from app.store.database import Database
from app.store.schema import alert_events, alerts

PATIENCE_SECONDS = 90.0
BY_NAME = {course.name: course for course in COURSES}


@dataclass(frozen=True)
class Told:
    """What stands after a move: severities of the open alerts, how often each rose so far, and the mails so far."""

    severity: dict[str, int]
    rises: int
    mails: int


def ending_now(course: Course) -> Course:
    """The course as it would stand if its last move were known just now; times to the second."""
    late = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=1) - course.moves[-1].known_at
    return replace(course, moves=[_later(move, late) for move in course.moves])


def _later(move: object, late: timedelta) -> Sampled | Recorded | Posted:
    if isinstance(move, Posted):
        return Posted([(at + late, readings) for at, readings in move.readings])
    assert isinstance(move, Sampled | Recorded)
    return replace(move, at=move.at + late)


def told(database: Database, mails: Path) -> Told:
    with database.read() as connection:
        found = connection.execute(sa.select(alerts.c.condition, alerts.c.severity)).all()
        rising = alert_events.c.reason.in_(["raised", "worsened"])
        rises = connection.execute(sa.select(sa.func.count()).where(rising)).scalar_one()
    severity = {row.condition: row.severity for row in found if row.severity > 0}
    return Told(severity, rises, len(list(mails.glob("*.eml"))))


# --- files --------------------------------------------------------------------------------------------------


class Desk:
    """Somebody at a keyboard: the fleet file, one file a sample, and the mail that goes into a folder."""

    def __init__(self, run: Run, folder: Path, course: Course) -> None:
        self.run, self.folder, self.course = run, folder, course
        self.fleet = fleet_of(course)
        self._load()
        self.database = Database(f"sqlite:///{folder / 'ullage.db'}")
        settings = Settings.model_validate({"mail_folder": str(folder / "mail")})
        self._transport, self._sender = make_transport(settings), settings.mail_from

    def do(self, number: int, move: Sampled | Recorded) -> Told:
        if isinstance(move, Recorded):
            event = {"asset": ASSET, "compartment": self.course.unit.compartment, "kind": move.kind}
            self.fleet["service_events"].append(event | {"at": move.at.isoformat()})
            self._load()
        else:
            file = self._file(number, move)
            done = self.run("import", file, "--laboratory", move.laboratory)
            assert done.exit_code == 0, done.output
        while deliver_next(self.database, self._transport, self._sender, lambda: datetime.now(UTC)):
            pass
        return told(self.database, self.folder / "mail")

    def _load(self) -> None:
        file = self.folder / "fleet.yaml"
        file.write_text(json.dumps(self.fleet), encoding="utf-8")
        done = self.run("fleet", "load", file)
        assert done.exit_code == 0, done.output

    def _file(self, number: int, move: Sampled) -> Path:
        names = [name for name in NAMES if name in move.readings]
        columns = ["asset", "compartment", "source", "taken_at", "laboratory_number", "remark", *NAMES]
        path = self.folder / f"sample_{number}.csv"
        row = {"asset": ASSET, "compartment": self.course.unit.compartment, "source": move.laboratory}
        row |= {"taken_at": move.at.isoformat()} | {name: str(move.readings[name]) for name in names}
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, columns)
            writer.writeheader()
            writer.writerow(row)
        return path


FILED: dict[str, dict[int, dict[str, int]]] = {
    # by course: from which move on which alert is at least so severe
    "jump_confirmed": {5: {"confirmation": 2}, 6: {"gassing": 3}},
    "extreme_stays": {5: {"gassing": 3}, 6: {"gassing": 4}},
    "arc_after_trip": {6: {"gassing": 4}},
    "first_c2h2_5000": {0: {"gassing": 4}},
    "ester_arc": {6: {"own_record": 3}},
    "tap_changer_fault": {9: {"own_record": 2}, 11: {"own_record": 3}},
    "very_wet_oil": {0: {"water": 2}},
}
"""Written down before anybody looked at what comes of it."""
PASSING = frozenset({"confirmation"})
"""Conditions that are over when what they ask for has come."""


@pytest.mark.parametrize("name", list(FILED))
def test_a_dangerous_course_in_files_alarms_and_stays(run: Run, tmp_path: Path, name: str) -> None:
    course = ending_now(BY_NAME[name])
    moves = [move for move in course.moves if isinstance(move, Sampled | Recorded)]
    # two years later nobody is mailed about what was long ago: the course ends before
    moves = moves[:-1] if name == "extreme_stays" else moves
    course = ending_now(replace(course, moves=moves))
    desk = Desk(run, tmp_path, course)
    before, least = Told({}, 0, 0), dict[str, int]()
    for number, move in enumerate(course.moves):
        assert isinstance(move, Sampled | Recorded)
        now = desk.do(number, move)
        _one_mail_a_step_up(before, now, datetime.now(UTC) - move.at < timedelta(days=395))
        least |= {c: max(s, least.get(c, 0)) for c, s in FILED[name].get(number, {}).items()}
        assert all(now.severity.get(c, 0) >= s for c, s in least.items()), f"move {number}: {now}"
        least = {c: max(s, now.severity[c]) for c, s in least.items() if c not in PASSING}
        before = now
    desk.database.dispose()


def _one_mail_a_step_up(before: Told, now: Told, recent: bool) -> None:
    """Whatever rose is an event, and one mail tells all that rose with one sample."""
    rose = {c for c, s in now.severity.items() if s > before.severity.get(c, 0)}
    assert now.rises - before.rises >= len(rose)
    if rose and recent:
        assert now.mails - before.mails == 1, (rose, before, now)
    assert now.mails - before.mails <= 1


# --- posts --------------------------------------------------------------------------------------------------


def _arc(t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    rise = np.clip(t / 2, 0, 1)
    return {"h2": 1 + 14 * rise, "c2h4": 1 + 9 * rise, "c2h2": 1 + 160 * rise, "ch4": 1 + 4 * rise}


@pytest.fixture
def service(postgresql_url: str, tmp_path: Path) -> Iterator[Service]:
    service = Service(tmp_path, postgresql_url, free_port(), {"EMBEDDED_WORKER": "false"})
    with service.serving():
        worker: subprocess.Popen[bytes] = service.start("worker")
        yield service
        kill(worker)


@pytest.mark.postgresql
def test_an_arc_seen_by_a_monitor_is_posted_mailed_and_stays(postgresql_url: str, service: Service) -> None:
    online = Course("posted", "", monitor(800, 60, 10, _arc), (), Unit(monitored=True))
    course = ending_now(online)
    database = Database(postgresql_url)
    load_fleet(database, json.dumps(fleet_of(course)), "fleet.yaml")
    key = issue_instrument_key(database, MONITOR, datetime.now(UTC))
    most, before = 0, Told({}, 0, 0)
    for number, move in enumerate(course.moves):
        assert isinstance(move, Posted)
        answer = httpx.post(
            f"{service.url}/api/v1/samples",
            json={"samples": [{"taken_at": at.isoformat(), **_payload(r)} for at, r in move.readings]},
            headers={"Authorization": f"Bearer {key}"},
            timeout=PATIENCE_SECONDS,
            trust_env=False,
        )
        assert answer.status_code == 200, answer.text
        now = _settled(database, service, before)
        severity = now.severity.get("gassing", 0)
        assert severity >= most, f"day {number}: it eased by itself"
        most, before = max(most, severity), now
        if number >= 3:
            assert severity >= 3, f"day {number}: {now}"
    database.dispose()
    assert before.mails >= 1


def _payload(readings: Readings) -> dict[str, float]:
    return {name: given for name, given in readings.items() if not isinstance(given, str)}


def _settled(database: Database, service: Service, before: Told) -> Told:
    """What stands once the worker has sent what is due."""
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        now = told(database, service.mail_folder)
        with database.read() as connection:
            waiting = connection.execute(
                sa.text("SELECT count(*) FROM messages WHERE state = 'queued'")
            ).scalar()
        if not waiting or time.monotonic() > until:
            rose = now.severity.get("gassing", 0) > before.severity.get("gassing", 0)
            assert not rose or now.mails > before.mails, "nobody was mailed"
            return now
        time.sleep(0.1)
