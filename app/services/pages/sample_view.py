"""The page of one sample: what it says, what it means, its revisions, and everything that was put right."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from app.domain.findings import Finding
from app.domain.judging.verdict import reasons
from app.domain.model import Asset, Compartment, Site, SourceKind
from app.science.quantities import BY_NAME, NAMES
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.online_courses import with_online_courses
from app.services.pages.fleet_overview import weight_of
from app.store.correcting import corrections
from app.store.correcting.corrections import Correction
from app.store.database import Connection, Database
from app.store.files import files
from app.store.files.files import FileView
from app.store.pages.view_samples import SampleView, samples_by_id
from app.store.pages.views import Unit, units
from app.store.registering import fleet, source_lookup


@dataclass(frozen=True, slots=True)
class Change:
    """One field that was changed: what was and what is, in the program's units; None: not given."""

    field: str
    unit: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One thing that happened to a sample."""

    at: datetime
    who: str
    what: str
    reason: str = ""
    changes: tuple[Change, ...] = ()
    other_sample: int | None = None
    """The other end of a move."""
    file: FileView | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """A compartment a sample may be moved to."""

    compartment_id: int
    asset_code: str
    asset_name: str
    compartment: str
    site: str
    time_zone: str


@dataclass(frozen=True, slots=True)
class SampleDetail:
    """Everything the page of a sample shows."""

    sample: SampleView
    asset: Asset
    compartment: Compartment
    site: Site
    revisions: tuple[SampleView, ...]
    """All of this place, time and source, oldest first; the sample among them."""
    history: tuple[HistoryLine, ...]
    """Newest first."""
    file: FileView | None
    choices: tuple[Choice, ...]

    @property
    def taken_locally(self) -> datetime:
        """When it was taken, in the site's time zone."""
        return self.sample.taken_at.astimezone(ZoneInfo(self.site.time_zone))

    @property
    def in_force(self) -> SampleView | None:
        """The revision that counts."""
        return next((s for s in self.revisions if s.counts), None)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What any of the revisions measured, in the order of the program."""
        return tuple(name for name in NAMES if any(name in s.readings for s in self.revisions))

    @property
    def reasons(self) -> tuple[Finding, ...]:
        """Findings above normal, the gravest first."""
        found = reasons(self.sample.assessment) if self.sample.assessment else ()
        return tuple(sorted(found, key=weight_of, reverse=True))


def sample_detail(database: Database, sample_id: int) -> SampleDetail | None:
    """A sample with all that is known of it, or None."""
    with database.read() as connection:
        row = corrections.rows_by_id(connection, [sample_id]).get(sample_id)
        if row is None:
            return None
        ids = [r.id for r in corrections.revisions(connection, row)]
        views = samples_by_id(connection, ids)
        revisions = tuple(views[i] for i in ids)
        known = files.by_id(connection, {s.file_id for s in revisions if s.file_id})
        context = fleet.compartment_context(connection, [row.compartment_id])[row.compartment_id]
        lines = corrections.history(connection, ids)
        told = with_full_assessments(connection, {sample_id: views[sample_id]}, detailed=True)
        sample = with_online_courses(connection, told)[sample_id]
        return SampleDetail(
            sample=sample,
            asset=context.asset,
            compartment=context.compartment,
            site=context.site,
            revisions=revisions,
            history=_history(revisions, lines, known),
            file=known.get(sample.file_id) if sample.file_id else None,
            choices=_choices(connection, sample),
        )


def _choices(connection: Connection, sample: SampleView) -> tuple[Choice, ...]:
    """Every compartment for a laboratory's sample; for an instrument's, those that it measures."""
    found: Sequence[Unit] = units(connection)
    if sample.source_kind is SourceKind.INSTRUMENT:
        source = source_lookup.find_source(connection, sample.source_code)
        served = set(source.compartments.values()) if source else set()
        found = [unit for unit in found if unit.compartment_id in served]
    return tuple(
        Choice(
            u.compartment_id, u.asset.code, u.asset.name, u.compartment.name, u.site.name, u.site.time_zone
        )
        for u in found
    )


def _history(
    revisions: Sequence[SampleView], lines: Sequence[Correction], known: Mapping[int, FileView]
) -> tuple[HistoryLine, ...]:
    made_by_hand = {
        line.sample_id
        for line in lines
        if line.kind == "edited" or (line.kind == "moved" and line.detail["to"]["sample"] == line.sample_id)
    }
    came = [_arrival(s, known) for s in revisions if s.id not in made_by_hand]
    put_right = [_line(line) for line in lines]
    oldest_first = sorted([*came, *put_right], key=lambda line: line.at)
    return tuple(reversed(oldest_first))  # of two at one moment, too, the later comes first


def _arrival(sample: SampleView, known: Mapping[int, FileView]) -> HistoryLine:
    file = known.get(sample.file_id) if sample.file_id else None
    what = "received" if sample.revision == 1 else f"received, revision {sample.revision}"
    return HistoryLine(
        at=sample.received_at,
        who=file.uploaded_by if file else sample.source_name,
        what=what,
        file=file,
    )


def _line(line: Correction) -> HistoryLine:
    detail = line.detail
    what, other = _WORDS[line.kind], None
    changes: tuple[Change, ...] = ()
    if line.kind == "edited":
        changes = _changes(detail["changed"])
    elif line.kind == "moved":
        there = detail["to"]["sample"] != line.sample_id
        end = detail["to" if there else "from"]
        other = end["sample"]
        what = f"moved {'to' if there else 'here from'} {end['asset']}, {end['compartment']}"
        if detail["from"]["taken_at"] != detail["to"]["taken_at"]:
            what += f", taken {datetime.fromisoformat(end['taken_at']):%Y-%m-%d %H:%M} UTC"
    return HistoryLine(line.by.at, line.by.author, what, line.by.reason, changes, other)


_WORDS = {
    "edited": "edited",
    "excluded": "excluded",
    "restored": "restored",
    "moved": "moved",
    "undone": "excluded, its whole file being undone",
    "in_force_again": "in force again, since a later file was undone",
}


def _changes(changed: Mapping[str, Any]) -> tuple[Change, ...]:
    order = [*NAMES, "laboratory_number", "remark"]
    return tuple(
        Change(name, BY_NAME[name].unit if name in BY_NAME else "", was, now)
        for name, (was, now) in sorted(changed.items(), key=lambda item: order.index(item[0]))
    )
