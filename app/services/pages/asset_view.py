"""Everything the page of one asset shows, for one of its compartments."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.alerting.advice import Advice, UnitFacts, advice, without_verdict
from app.domain.findings import Assessment, Course, Finding, Rate, Severity
from app.domain.judging.course.states import graver
from app.domain.judging.verdict import reasons
from app.domain.model import Reading, ServiceEvent, SourceKind
from app.domain.watching.change import NOT_LOOKED
from app.science.quantities import NORM_GASES
from app.services.judging.context import RATIO_AGE
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.leading_sample import leading, newest_of_each_kind
from app.services.judging.online_courses import gravest_of, online_courses_of, with_online_courses
from app.services.pages.changes import Change, changes_between
from app.services.pages.fleet_overview import weight_of
from app.services.pages.norm_limits import GasLimits, NormColumn, norm_column, oxygen_ratio
from app.store.database import Connection, Database
from app.store.pages.unit_facts import unit_facts
from app.store.pages.view_alerts import AlertEventView, AlertView, alert_list, events_of_alerts
from app.store.pages.view_mail import MessageView, message_list
from app.store.pages.view_samples import (
    SampleView,
    counting_samples,
    history,
    sample_span,
    samples_by_id,
    unit_events,
)
from app.store.pages.views import NewestSample, Unit, instrument_names, newest_samples, units
from app.store.registering.limits import all_limits, ladder
from app.store.watching.online_courses import OnlineCourse

HISTORY_LENGTH = 30
COLUMN_SAMPLES = 12
"""Samples looked at to choose the column of the norm tables (the rule looks five back)."""
LOOK_BACK = timedelta(days=3653)


@dataclass(frozen=True, slots=True)
class GasRow:
    """One norm gas of the sample, with the limits that judge it; ``over``: what the engine found above its limit."""

    gas: str
    reading: Reading | None
    before: Reading | None
    delta: float | None
    rate: Rate | None
    limits: GasLimits
    titles: tuple[str, str]
    """Names of the two limits, e.g. ``Table 1`` and ``Table 2``."""
    over: Mapping[str, Finding]
    """By rule: ``level``, ``delta``, ``rate``, ``extreme``, ``detection_limit``."""
    judged: bool
    """Whether its level could be judged."""

    @property
    def level(self) -> str:
        """``not measured``, ``within Table 1``, ``above Table 1``, ``above Table 2``, ``undecided`` or ``no norm``."""
        if self.reading is None:
            return "not measured"
        if "level" in self.over:
            return f"above {self.titles[self.over['level'].severity is Severity.HIGH]}"
        if self.judged:
            return f"within {self.titles[0]}"
        return "undecided" if "detection_limit" in self.over else "no norm"


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """Samples newest first, and where to go on: ``older_than`` is None on the last page."""

    samples: tuple[SampleView, ...]
    older_than: datetime | None
    kind: SourceKind | None
    """Only samples of this kind of source; None: of both."""


@dataclass(frozen=True, slots=True)
class CompartmentLink:
    """A tab: one compartment of the asset with its status."""

    name: str
    kind: str
    status: int | None
    judged: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """One sample with what it means and what it is compared with."""

    sample: SampleView
    previous: SampleView | None
    changes: tuple[Change, ...]
    column: NormColumn
    gases: tuple[GasRow, ...]
    advice: Advice

    @property
    def assessment(self) -> Assessment | None:
        return self.sample.assessment

    @property
    def reasons(self) -> tuple[tuple[Finding, ...], ...]:
        """Findings that put the unit above normal, one group a gas, the gravest group and finding first."""
        groups: dict[str, list[Finding]] = {}
        for finding in reasons(self.assessment) if self.assessment else ():
            groups.setdefault(finding.quantity or finding.rule, []).append(finding)
        ranked = [sorted(group, key=weight_of, reverse=True) for group in groups.values()]
        return tuple(tuple(g) for g in sorted(ranked, key=lambda g: weight_of(g[0]), reverse=True))


@dataclass(frozen=True, slots=True)
class AssetView:
    """The page of one asset."""

    unit: Unit
    compartments: tuple[CompartmentLink, ...]
    verdict: Verdict | None
    """The sample that leads (see :mod:`app.services.judging.leading_sample`)."""
    second: Verdict | None
    """The newest sample of the other kind of source, if there is one."""
    alerts: tuple[AlertView, ...]
    alert_events: tuple[AlertEventView, ...]
    history: HistoryPage
    events: tuple[ServiceEvent, ...]
    instruments: tuple[str, ...]
    mails: tuple[MessageView, ...]
    online: tuple[OnlineCourse, ...]
    """What the newest look at each instrument's days found, the gravest first."""
    span: tuple[datetime, datetime] | None

    @property
    def not_watched(self) -> str:
        """In a sentence, that no day of any of its instruments has been looked at; empty where one has, or has none."""
        return NOT_LOOKED if self.instruments and not self.online else ""

    @property
    def course(self) -> Course | None:
        """The graver course of the unit: of its laboratories, or of what an instrument's days show."""
        told = (one.assessment for one in (self.verdict, self.second) if one)
        return graver([*(found.course for found in told if found), gravest_of(self.online)])


def asset_view(
    database: Database,
    code: str,
    compartment: str | None = None,
    *,
    show: str | None = None,
    before: datetime | None = None,
) -> AssetView | None:
    """The asset's page for one compartment (default: the worst one); None when there is no such asset.

    ``show`` chooses the samples listed: ``laboratory``, ``instrument`` or ``all``; by default those of
    laboratories where there are any, since an instrument's readings would bury them.

    Raises:
        LookupError: when the asset has no compartment of that name.
    """
    with database.read() as connection:
        tabs = units(connection, asset_code=code)
        if not tabs:
            return None
        by_unit: dict[int, list[NewestSample]] = {unit.compartment_id: [] for unit in tabs}
        for newest in newest_samples(connection, list(by_unit)):
            by_unit[newest.compartment_id].append(newest)
        unit = _choose(tabs, by_unit, compartment)
        own = unit.compartment_id
        alerts = alert_list(connection, compartment_ids=[own])
        verdict, second = _verdicts(connection, unit, by_unit[own])
        page = history_page(connection, own, _kind(show, by_unit[own]), before)
        return AssetView(
            unit=unit,
            compartments=tuple(_link(tab, by_unit[tab.compartment_id]) for tab in tabs),
            verdict=verdict,
            second=second,
            alerts=tuple(alerts),
            alert_events=tuple(events_of_alerts(connection, [a.id for a in alerts], limit=50)),
            history=page,
            events=tuple(unit_events(connection, own)),
            instruments=tuple(instrument_names(connection, [own]).get(own, [])),
            mails=tuple(message_list(connection, sample_ids=[s.id for s in page.samples], limit=20)),
            online=tuple(online_courses_of(connection, [own]).get(own, ())),
            span=sample_span(connection, own),
        )


def history_page(
    connection: Connection, compartment_id: int, kind: SourceKind | None, before: datetime | None
) -> HistoryPage:
    """One page of a compartment's samples, revisions and excluded ones included."""
    found = history(connection, compartment_id, kind=kind, before=before, limit=HISTORY_LENGTH + 1)
    more = len(found) > HISTORY_LENGTH
    shown = tuple(found[:HISTORY_LENGTH])
    return HistoryPage(shown, shown[-1].taken_at if more else None, kind)


def _kind(show: str | None, found: Sequence[NewestSample]) -> SourceKind | None:
    kinds = {newest.source_kind for newest in found}
    if show is None:
        return SourceKind.LABORATORY if len(kinds) == 2 else None
    return None if show == "all" else SourceKind(show)


def _choose(tabs: Sequence[Unit], by_unit: dict[int, list[NewestSample]], compartment: str | None) -> Unit:
    if compartment:
        for unit in tabs:
            if unit.compartment.name == compartment:
                return unit
        names = ", ".join(unit.compartment.name for unit in tabs)
        raise LookupError(f"{tabs[0].asset.code} has no compartment {compartment!r}; it has: {names}")

    def status(unit: Unit) -> int:
        newest = leading(by_unit[unit.compartment_id])
        return (newest.status or 0) if newest else -1

    return max(tabs, key=status)


def _link(unit: Unit, found: Sequence[NewestSample]) -> CompartmentLink:
    newest = leading(found)
    return CompartmentLink(
        name=unit.compartment.name,
        kind=unit.compartment.kind.value,
        status=newest.status if newest else None,
        judged=newest is not None,
    )


def _verdicts(
    connection: Connection, unit: Unit, found: Sequence[NewestSample]
) -> tuple[Verdict | None, Verdict | None]:
    lead = leading(found)
    if lead is None:
        return None, None
    newest = newest_of_each_kind(found)
    other = next((s for s in newest.values() if s.sample_id != lead.sample_id), None)
    known = unit_facts(connection, [unit.compartment_id])[unit.compartment_id]
    second = _verdict(connection, unit, other, known) if other else None
    return _verdict(connection, unit, lead, known), second


def _verdict(connection: Connection, unit: Unit, newest: NewestSample, known: UnitFacts) -> Verdict:
    wanted = [i for i in (newest.sample_id, newest.previous_id) if i]
    found = samples_by_id(connection, wanted)
    told = with_full_assessments(connection, {newest.sample_id: found[newest.sample_id]}, detailed=True)
    sample = with_online_courses(connection, told)[newest.sample_id]
    previous = found.get(newest.previous_id) if newest.previous_id else None
    column = column_of(connection, unit, sample)
    assessment = sample.assessment
    return Verdict(
        sample=sample,
        previous=previous,
        changes=changes_between(previous, sample),
        column=column,
        gases=tuple(_gas_row(gas, sample, previous, column) for gas in NORM_GASES),
        advice=advice(assessment, unit.asset, sample.taken_at, ladder(connection), known)
        if assessment
        else without_verdict(unit.asset, sample.taken_at.date(), known),
    )


def column_of(connection: Connection, unit: Unit, sample: SampleView) -> NormColumn:
    """The norms that judge a sample, chosen from it and the laboratory samples before it."""
    online = sample.source_kind is SourceKind.INSTRUMENT
    before = counting_samples(
        connection,
        unit.compartment_id,
        SourceKind.LABORATORY,
        window=(sample.taken_at - (RATIO_AGE if online else LOOK_BACK), sample.taken_at),
        limit=COLUMN_SAMPLES,
    )
    if online:
        return norm_column(unit.asset, [sample], all_limits(connection), oxygen_ratio(before))
    return norm_column(
        unit.asset, [*(s for s in before if s.id != sample.id), sample], all_limits(connection)
    )


def _gas_row(gas: str, sample: SampleView, previous: SampleView | None, column: NormColumn) -> GasRow:
    assessment = sample.assessment
    return GasRow(
        gas=gas,
        reading=sample.readings.get(gas),
        before=previous.readings.get(gas) if previous else None,
        delta=assessment.deltas.get(gas) if assessment else None,
        rate=assessment.rates.get(gas) if assessment else None,
        limits=column.limits[gas],
        titles=column.titles,
        over={f.rule: f for f in assessment.findings if f.quantity == gas} if assessment else {},
        judged=assessment is not None and gas in assessment.judged_gases,
    )
