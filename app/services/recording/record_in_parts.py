"""Many samples of many compartments and sources in one transaction, some compartments after another."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Final

from app.domain.model import Sample, SourceKind
from app.services.recording.outcomes import Outcome
from app.services.recording.record_samples import RecordContext, record_in
from app.store.database import Connection
from app.store.registering import fleet, source_lookup

AT_ONCE: Final = 20
"""Compartments that are judged between two reports of progress."""


def record_by_compartment(
    connection: Connection,
    samples: Sequence[Sample],
    now: datetime,
    context: RecordContext,
    tell: Callable[[int, int], None] | None = None,
) -> list[Outcome]:
    """:func:`record_in` some compartments at a time, so that progress can be told; outcomes in the samples' order.

    Laboratories go before instruments, whose readings are judged with the laboratories' oxygen ratio.

    Args:
        tell: called with (samples recorded, samples in all).

    Raises:
        UnknownSourceError: if no source has a sample's ``source_code``.
    """
    pairs = {(sample.asset_code, sample.compartment) for sample in samples}
    fleet.lock_compartments(connection, fleet.compartment_ids(connection, pairs).values())
    groups: dict[tuple[str, str, str], list[int]] = {}
    for place, sample in enumerate(samples):
        key = (sample.source_code, sample.asset_code, sample.compartment)
        groups.setdefault(key, []).append(place)
    outcomes: dict[int, Outcome] = {}
    for source, batches in _batches(connection, groups):
        for places in batches:
            if tell is not None:
                tell(len(outcomes), len(samples))
            recorded = record_in(connection, source, [samples[i] for i in places], now, context)
            outcomes.update(zip(places, recorded, strict=True))
    if tell is not None:
        tell(len(samples), len(samples))
    return [outcomes[place] for place in range(len(samples))]


def _batches(
    connection: Connection, groups: Mapping[tuple[str, str, str], list[int]]
) -> list[tuple[str, list[list[int]]]]:
    """By source, laboratories first, places of the samples of some compartments at a time."""
    by_source: dict[str, list[list[int]]] = {}
    for (source, _, _), places in groups.items():
        by_source.setdefault(source, []).append(places)
    instruments = {s.code for s in source_lookup.all_sources(connection, SourceKind.INSTRUMENT)}
    return [
        (
            source,
            [
                [place for places in parts[i : i + AT_ONCE] for place in places]
                for i in range(0, len(parts), AT_ONCE)
            ],
        )
        for source, parts in sorted(by_source.items(), key=lambda item: (item[0] in instruments, item[0]))
    ]
