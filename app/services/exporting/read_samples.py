"""Samples with what is said of them, for programs that read the record. Read only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from app.domain.model import Asset, Compartment
from app.services.judging.judge_online import with_full_assessments
from app.services.judging.online_courses import with_online_courses
from app.store.database import Connection, Database
from app.store.exporting import sample_pages
from app.store.exporting.sample_pages import Position
from app.store.pages import view_samples, views
from app.store.pages.view_samples import SampleView
from app.store.registering import fleet


@dataclass(frozen=True, slots=True)
class PlacedSample:
    """A stored sample and whose oil it is."""

    asset: Asset
    compartment: Compartment
    sample: SampleView


@dataclass(frozen=True, slots=True)
class SamplePage:
    samples: Sequence[PlacedSample]
    next_position: Position | None
    """Where the next page begins; None on the last."""


@dataclass(frozen=True, slots=True)
class PageQuery:
    """From <= taken_at < to; after the last sample of the page before; at most ``limit``."""

    start: datetime | None
    end: datetime | None
    after: Position | None
    limit: int


def read_page(database: Database, asset_code: str, query: PageQuery) -> SamplePage | None:
    """A page of an asset's current samples, oldest first; None when the asset is not registered."""
    with database.read() as connection:
        if fleet.find_asset(connection, asset_code) is None:
            return None
        window = (query.start, query.end)
        ids = sample_pages.page_of_ids(connection, asset_code, window, query.after, query.limit + 1)
        placed = _placed(connection, ids[: query.limit])
    if len(ids) <= query.limit:
        return SamplePage(placed, None)
    last = placed[-1].sample
    return SamplePage(placed, (last.taken_at, last.id))


def read_sample(database: Database, sample_id: int) -> PlacedSample | None:
    """One sample by its id, or None."""
    with database.read() as connection:
        found = _placed(connection, [sample_id], told=True)
    return found[0] if found else None


def read_newest(database: Database, asset_code: str) -> list[PlacedSample] | None:
    """The newest counting sample of every source in every compartment; None for an unknown asset."""
    with database.read() as connection:
        if fleet.find_asset(connection, asset_code) is None:
            return None
        ids = sample_pages.compartment_ids_of(connection, asset_code)
        return _placed(connection, [s.sample_id for s in views.newest_samples(connection, ids)], told=True)


def _placed(connection: Connection, sample_ids: Sequence[int], *, told: bool = False) -> list[PlacedSample]:
    found = view_samples.samples_by_id(connection, sample_ids)
    if told:
        found = with_online_courses(connection, with_full_assessments(connection, found, detailed=True))
    contexts = fleet.compartment_context(connection, {s.compartment_id for s in found.values()})
    placed = []
    for sample in (found[i] for i in sample_ids if i in found):
        context = contexts[sample.compartment_id]
        placed.append(PlacedSample(context.asset, context.compartment, sample))
    return placed
