"""The fleet page: every unit with its verdict, worst first, with what changed and why."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from app.domain.alerting.advice import Advice, UnitFacts, advice, without_verdict
from app.domain.alerting.states import OPEN_STATES
from app.domain.findings import Assessment, Course, Finding
from app.domain.judging.course.states import graver
from app.domain.model import LadderStep, Site, SourceKind
from app.science.quantities import NORM_GASES
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.leading_sample import gravity_of, leading, newest_of_each_kind
from app.services.judging.online_courses import gravest_of, online_courses_of, with_online_courses
from app.services.pages.changes import Change, changes_told
from app.store.database import Connection, Database
from app.store.pages.unit_facts import unit_facts
from app.store.pages.view_alerts import AlertView, alert_list
from app.store.pages.view_samples import SampleView, day_numbers, samples_by_id, trail
from app.store.pages.views import NewestSample, Unit, all_sites, newest_samples, units
from app.store.registering.limits import ladder

PAGE_LENGTH = 100
SPARK_SAMPLES = 12
SPARK_DAYS = 90


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One unit. Fields after ``newest`` are filled for the page shown only."""

    unit: Unit
    newest: NewestSample | None
    instruments: bool = False
    alerts: tuple[AlertView, ...] = ()
    gravities: tuple[int, ...] = ()
    """Of the course of each source; of a source without one its status, from 2 on."""
    course: Course | None = None
    """The graver one: with the leading sample, or of the instruments' days, as of the last look at them."""
    assessment: Assessment | None = None
    reason: Finding | None = None
    previous_status: int | None = None
    previous_at: datetime | None = None
    changes: tuple[Change, ...] = ()
    advice: Advice | None = None
    key_quantity: str | None = None
    spark: tuple[tuple[float, float], ...] = ()
    """(days since the first point, value) of the key quantity."""

    @property
    def gravity(self) -> int:
        """Of the graver course; where no course is told, the status stands for it."""
        return max(self.gravities, default=0)

    @property
    def due(self) -> date | None:
        return self.advice.next_sample_due if self.advice else None


@dataclass(frozen=True, slots=True)
class FleetQuery:
    """What the reader asked for."""

    site_code: str = ""
    text: str = ""
    status: str = ""
    """``1``, ``2``, ``3``, ``none`` or empty for all."""
    page: int = 1


@dataclass(frozen=True, slots=True)
class FleetOverview:
    """The fleet page's content; ``rows`` is one page of ``found`` units."""

    query: FleetQuery
    sites: list[Site]
    rows: list[FleetRow]
    found: int
    total: int
    pages: int
    counts: dict[str, int] = field(default_factory=dict)
    """Units by status key (``1``..``3``, ``none``) under the site and text filter."""
    open_alerts: int = 0
    asks: int = 0
    """Units whose newest sample waits for a confirmation."""


def fleet_overview(database: Database, query: FleetQuery, now: datetime) -> FleetOverview:
    """One page of the fleet, worst first. Reads only; a handful of queries whatever the fleet's size."""
    with database.read() as connection:
        everything = units(connection)
        found = (
            units(connection, site_code=query.site_code or None, text=query.text)
            if query.site_code or query.text
            else everything
        )
        ids = [unit.compartment_id for unit in found]
        by_unit: dict[int, list[NewestSample]] = {}
        for newest in newest_samples(connection, ids):
            by_unit.setdefault(newest.compartment_id, []).append(newest)
        open_alerts = alert_list(connection, states=OPEN_STATES, compartment_ids=ids, limit=10_000)
        alerts_by_unit: dict[int, list[AlertView]] = {}
        for alert in open_alerts:
            if alert.compartment_id is not None:
                alerts_by_unit.setdefault(alert.compartment_id, []).append(alert)
        rows = [
            FleetRow(
                unit,
                leading(by_unit.get(unit.compartment_id, [])),
                instruments=any(
                    s.source_kind is SourceKind.INSTRUMENT for s in by_unit.get(unit.compartment_id, [])
                ),
                alerts=tuple(alerts_by_unit.get(unit.compartment_id, [])),
                gravities=_gravities(by_unit.get(unit.compartment_id, [])),
            )
            for unit in found
        ]
        counts = Counter(_status_key(row) for row in rows)
        asks = sum(1 for row in rows if row.newest and row.newest.suspect)
        if query.status:
            rows = [row for row in rows if _status_key(row) == query.status]
        rows.sort(key=_badness)
        pages = max(1, -(-len(rows) // PAGE_LENGTH))
        first = (min(max(query.page, 1), pages) - 1) * PAGE_LENGTH
        shown = _with_details(connection, rows[first : first + PAGE_LENGTH], now)
        return FleetOverview(
            query=query,
            sites=all_sites(connection),
            rows=shown,
            found=len(rows),
            total=len(everything),
            pages=pages,
            counts=dict(counts),
            open_alerts=len(open_alerts),
            asks=asks,
        )


def main_reason(assessment: Assessment | None) -> Finding | None:
    """The finding that matters most; None when there is none."""
    return max(assessment.findings, key=weight_of, default=None) if assessment else None


def weight_of(finding: Finding) -> tuple[int, bool, bool, float]:
    """Sort key: severity, then extremes, then levels before changes, then how far above the limit."""
    over = finding.value / finding.limit if finding.value is not None and finding.limit else 0.0
    return int(finding.severity), finding.rule == "extreme", finding.rule == "level", over


def _status_key(row: FleetRow) -> str:
    return "none" if row.newest is None or row.newest.status is None else str(row.newest.status)


def _gravities(newest: Sequence[NewestSample]) -> tuple[int, ...]:
    return tuple(gravity_of(one) for one in newest_of_each_kind(newest).values())


def _badness(row: FleetRow) -> tuple[int, int, int, int, float, str]:
    """Sort key, worst first: gravity, status, a waiting alert, a sample to confirm, the newest news, then the code."""
    newest = row.newest
    unseen = sum(1 for alert in row.alerts if alert.state in {"unacknowledged", "returned"})
    if newest is None:
        return (0, 1, -unseen, 0, 0.0, row.unit.asset.code)
    return (
        -row.gravity,
        -(newest.status or 0),
        -unseen,
        -int(newest.suspect),
        -newest.taken_at.timestamp(),
        row.unit.asset.code,
    )


def _with_details(connection: Connection, rows: Sequence[FleetRow], now: datetime) -> list[FleetRow]:
    wanted = {i for row in rows if row.newest for i in (row.newest.sample_id, row.newest.previous_id) if i}
    found, steps = samples_by_id(connection, wanted), ladder(connection)
    leads = {row.newest.sample_id: found[row.newest.sample_id] for row in rows if row.newest}
    found |= with_online_courses(connection, with_full_assessments(connection, leads, detailed=False))
    shown = [row.unit.compartment_id for row in rows]
    facts, online = unit_facts(connection, shown), online_courses_of(connection, shown)
    detailed = [_detailed(row, found, steps, (facts[row.unit.compartment_id], now.date())) for row in rows]
    detailed = [
        replace(row, course=graver([row.course, gravest_of(online.get(row.unit.compartment_id, ()))]))
        for row in detailed
    ]
    return _with_sparks(connection, detailed, now)


def _detailed(
    row: FleetRow, found: dict[int, SampleView], steps: Sequence[LadderStep], known: tuple[UnitFacts, date]
) -> FleetRow:
    facts, today = known
    if row.newest is None:
        return replace(row, advice=without_verdict(row.unit.asset, today, facts))
    sample = found[row.newest.sample_id]
    before = found.get(row.newest.previous_id) if row.newest.previous_id else None
    assessment = sample.assessment
    reason = main_reason(assessment)
    return FleetRow(
        unit=row.unit,
        newest=row.newest,
        instruments=row.instruments,
        alerts=row.alerts,
        gravities=row.gravities,
        course=assessment.course if assessment else None,
        assessment=assessment,
        reason=reason,
        previous_status=before.status if before else None,
        previous_at=before.taken_at if before else None,
        changes=changes_told(before, sample),
        advice=advice(assessment, row.unit.asset, sample.taken_at, steps, facts)
        if assessment
        else without_verdict(row.unit.asset, today, facts),
        key_quantity=_key_quantity(reason, sample),
    )


def _key_quantity(reason: Finding | None, sample: SampleView) -> str | None:
    if reason and reason.quantity in sample.readings:
        return reason.quantity
    return next((gas for gas in ("h2", *NORM_GASES) if gas in sample.readings), None)


def _with_sparks(connection: Connection, rows: Sequence[FleetRow], now: datetime) -> list[FleetRow]:
    """Adds the recent course of each row's key quantity, from the source that leads the row."""
    laboratory = [
        row.unit.compartment_id
        for row in rows
        if row.newest and row.newest.source_kind is SourceKind.LABORATORY
    ]
    online = [
        row.unit.compartment_id
        for row in rows
        if row.newest and row.newest.source_kind is SourceKind.INSTRUMENT
    ]
    trails = trail(connection, laboratory, each=SPARK_SAMPLES)
    wanted = {row.unit.compartment_id: row.key_quantity for row in rows if row.key_quantity}
    daily = _daily(connection, {i: wanted[i] for i in online if i in wanted}, now.date())
    result = []
    for row in rows:
        unit, quantity = row.unit.compartment_id, row.key_quantity
        points = daily.get(unit, [])
        if quantity and unit in trails:
            points = [
                (at.timestamp() / 86_400, r[quantity].number) for at, r in trails[unit] if quantity in r
            ]
        result.append(_with_spark(row, points))
    return result


def _daily(
    connection: Connection, quantities: Mapping[int, str], today: date
) -> dict[int, list[tuple[float, float]]]:
    """Daily medians of one quantity of each compartment, as (day, number)."""
    if not quantities:
        return {}
    names = sorted(set(quantities.values()))
    column = {name: 2 + i for i, name in enumerate(names)}
    since = today - timedelta(days=SPARK_DAYS)
    found: dict[int, list[tuple[float, float]]] = {}
    for row in day_numbers(connection, list(quantities), names, since, today):
        number = row[column[quantities[row[0]]]]
        if number is not None:
            found.setdefault(row[0], []).append((float(row[1].toordinal()), number))
    return found


def _with_spark(row: FleetRow, points: list[tuple[float, float]]) -> FleetRow:
    origin = points[0][0] if points else 0.0
    return replace(row, spark=tuple((x - origin, y) for x, y in points))
