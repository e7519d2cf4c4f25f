"""Register a whole fleet from a file: all or nothing, and a second time changes nothing."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from app.domain.model import Asset, LimitScope, OwnerLimit, SourceKind
from app.intake.registering.fleet_file import FleetFile, FleetFileError, FleetProblem, parse_fleet
from app.services.rejudging.judge_again import JudgedAgain, judge_again
from app.store.database import Connection, Database
from app.store.registering import events, fleet, limits, registration, source_lookup
from app.store.registering.registration import Upserted

__all__ = ["FleetFileError", "FleetReport", "load_fleet"]


@dataclass(frozen=True)
class FleetReport:
    """How many entries of each section were created, changed and left as they were."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    not_named: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Codes by section that are registered and that the file does not name; they stay."""
    judged_again: JudgedAgain = field(default_factory=JudgedAgain)
    """What became of stored samples that are judged by something that was created or changed."""

    def total(self, result: str) -> int:
        """Entries over all sections that were ``created``, ``changed`` or ``unchanged``."""
        return sum(counter[result] for counter in self.counts.values())


def load_fleet(database: Database, text: str, filename: str, now: datetime | None = None) -> FleetReport:
    """Register what a fleet file describes, in one transaction. Nothing is ever removed.

    Stored samples that are judged by what has changed are judged again afterwards, one transaction a series (see
    :func:`app.services.rejudging.judge_again.judge_again`): a whole fleet's may take longer than instruments should
    wait. When that is interrupted, ``ullage reassess`` does the rest.

    Args:
        now: the server's time; None registers only, for a database that has no samples yet.

    Raises:
        FleetFileError: with every problem of the file, each naming file, line and field; nothing is stored then.
    """
    found = parse_fleet(text, filename)
    with database.write() as connection:
        registration.lock(connection)
        _refuse_changed_kinds(connection, found, filename)
        _lock(connection, found)
        before = {asset.code: asset for asset in fleet.all_assets(connection)}
        results = _register(connection, found)
        report = FleetReport(
            {name: Counter(done) for name, done in results.items()}, _left(connection, found)
        )
        concerned = _concerned(connection, found, before, results)
    if now is None:
        return report
    return replace(report, judged_again=judge_again(database, concerned, _WHY, now))


_WHY = "judged again: service events, limits or the nameplate were registered otherwise"


def _lock(connection: Connection, found: FleetFile) -> None:
    """Keep samples of these compartments waiting, before any is written: see ``fleet.lock_compartments``."""
    named = [(part.asset_code, part.name) for part in found.compartments]
    named += [(event.asset_code, event.compartment) for event in found.service_events]
    fleet.lock_compartments(connection, fleet.compartment_ids(connection, named).values())


def _register(connection: Connection, found: FleetFile) -> dict[str, list[Upserted]]:
    """What became of each entry, by section in the order in which they are registered."""
    results = {
        "sites": [registration.upsert_site(connection, one) for one in found.sites],
        "assets": [registration.upsert_asset(connection, one) for one in found.assets],
        "compartments": [registration.upsert_compartment(connection, one) for one in found.compartments],
    }
    for section, kind in _SOURCES.items():
        of_kind = [source for source in found.sources if source.kind is kind]
        results[section] = [registration.upsert_source(connection, one) for one in of_kind]
    results["contacts"] = [registration.upsert_contact(connection, one) for one in found.contacts]
    results["service_events"] = [events.upsert_event(connection, one) for one in found.service_events]
    results["limits"] = [limits.upsert_limit(connection, one) for one in found.limits]
    results["actions"] = [limits.upsert_step(connection, one) for one in found.actions]
    return results


def _concerned(
    connection: Connection,
    found: FleetFile,
    before: Mapping[str, Asset],
    results: Mapping[str, Sequence[Upserted]],
) -> set[int]:
    """Ids of the compartments whose stored samples are judged by something that is not as it was."""
    codes = {
        asset.code for asset in found.assets if asset.code in before and _judged_by(before[asset.code], asset)
    }
    for limit, result in zip(found.limits, results["limits"], strict=True):
        if result != "unchanged":
            codes |= {asset.code for asset in fleet.all_assets(connection) if _limits(limit, asset)}
    names = fleet.asset_index(connection).compartments if codes else {}
    pairs = {(code, name) for code in codes for name in names.get(code, ())}
    for part, result in zip(found.compartments, results["compartments"], strict=True):
        if result == "changed":
            pairs.add((part.asset_code, part.name))
    for event, result in zip(found.service_events, results["service_events"], strict=True):
        if result == "created":  # only the note of one that is known can change
            pairs.add((event.asset_code, event.compartment))
    return set(fleet.compartment_ids(connection, pairs).values())


def _judged_by(before: Asset, after: Asset) -> bool:
    """Whether more than what a unit is called and where it stands has changed."""
    called = replace(
        before,
        name=after.name,
        site_code=after.site_code,
        serial=after.serial,
        manufacturer=after.manufacturer,
    )
    return called != after


def _limits(limit: OwnerLimit, asset: Asset) -> bool:
    of = {LimitScope.FLEET: "", LimitScope.KIND: asset.kind.value, LimitScope.ASSET: asset.code}
    return of[limit.scope] == limit.of


_SOURCES = {"laboratories": SourceKind.LABORATORY, "instruments": SourceKind.INSTRUMENT}


def _refuse_changed_kinds(connection: Connection, found: FleetFile, filename: str) -> None:
    """Samples say who measured: an instrument must not become a laboratory afterwards."""
    before = {source.code: source.kind for source in source_lookup.all_sources(connection)}
    section = {kind: name for name, kind in _SOURCES.items()}
    problems = [
        FleetProblem(
            filename,
            found.source_lines[source.code],
            f"{section[source.kind]}.code",
            f"{source.code!r} is already registered among the {section[before[source.code]]}; choose another",
        )
        for source in found.sources
        if before.get(source.code, source.kind) is not source.kind
    ]
    if problems:
        raise FleetFileError(problems)


def _left(connection: Connection, found: FleetFile) -> dict[str, tuple[str, ...]]:
    """What is registered and not named, by section; sections with nothing left over are left out."""

    def rest(registered: Iterable[str], named: Iterable[str]) -> tuple[str, ...]:
        return tuple(sorted(set(registered) - set(named)))

    sources = [source.code for source in found.sources]
    left = {
        "sites": rest((s.code for s in fleet.all_sites(connection)), (s.code for s in found.sites)),
        "assets": rest((a.code for a in fleet.all_assets(connection)), (a.code for a in found.assets)),
        **{
            section: rest((s.code for s in source_lookup.all_sources(connection, kind)), sources)
            for section, kind in _SOURCES.items()
        },
        "contacts": rest((c.code for c in fleet.all_contacts(connection)), (c.code for c in found.contacts)),
    }
    return {section: codes for section, codes in left.items() if codes}
