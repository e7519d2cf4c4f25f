"""What a file does to the units it is about: looked at before its samples are recorded, and after."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.domain.alerting.states import State
from app.domain.model import Sample
from app.services.files.import_outcome import AlertEffect, RowResult, UnitEffect
from app.services.judging.leading_sample import leading
from app.services.recording.sample_contents import differences
from app.store.alerting import alerts
from app.store.correcting.corrections import Contents
from app.store.database import Connection
from app.store.files import import_effects
from app.store.pages import views
from app.store.pages.views import NewestSample
from app.store.registering import fleet, source_lookup

Pair = tuple[str, str]
"""Asset code and compartment."""
AT_ONCE = 500


@dataclass(frozen=True)
class Before:
    """How things stood: ids of the compartments, where each stood, its alerts, and what samples said."""

    ids: Mapping[Pair, int]
    newest_samples: Mapping[int, NewestSample | None]
    alerts: Mapping[int, alerts.StoredAlert]
    contents: Mapping[import_effects.Identity, Contents]
    sources: Mapping[str, int]


def look_before(connection: Connection, samples: Sequence[Sample]) -> Before:
    """How the units of some samples stand now, and what is stored at their times."""
    ids = fleet.compartment_ids(connection, {(s.asset_code, s.compartment) for s in samples})
    sources = {}
    for code in {s.source_code for s in samples}:
        stored = source_lookup.find_source(connection, code)
        if stored is not None:
            sources[code] = stored.id
    identities = {
        (ids[s.asset_code, s.compartment], sources[s.source_code], s.taken_at)
        for s in samples
        if (s.asset_code, s.compartment) in ids and s.source_code in sources
    }
    return Before(
        ids,
        _leading(connection, list(ids.values())),
        _alerts(connection, list(ids.values())),
        import_effects.contents_at(connection, identities),
        sources,
    )


def row_changes(before: Before, sample: Sample) -> dict[str, tuple[str | None, str | None]]:
    """By field, what the earlier sample of the same time says and what this one says."""
    key = (
        before.ids[sample.asset_code, sample.compartment],
        before.sources[sample.source_code],
        sample.taken_at,
    )
    after = Contents(sample.readings, sample.laboratory_number, sample.remark)
    was = before.contents.get(key)
    return {} if was is None else {k: (v[0], v[1]) for k, v in differences(was, after).items()}


def effects_of(connection: Connection, before: Before, rows: Sequence[RowResult]) -> tuple[UnitEffect, ...]:
    """Every compartment that got a new or a changed sample, in the order of the file."""
    counts = Counter(
        (row.sample.asset_code, row.sample.compartment) for row in rows if row.result in ("new", "changes")
    )
    ids = [before.ids[pair] for pair in counts]
    after = _leading(connection, ids)
    changed = _changed_alerts(connection, before, ids)
    effects = []
    for pair, count in counts.items():
        then, now = before.newest_samples.get(before.ids[pair]), after.get(before.ids[pair])
        effects.append(
            UnitEffect(
                asset_code=pair[0],
                compartment=pair[1],
                rows=count,
                status_before=None if then is None else then.status,
                status_after=None if now is None else now.status,
                fault_after=None if now is None else now.fault,
                suspect_after=now is not None and now.suspect,
                alerts=tuple(changed.get(before.ids[pair], ())),
            )
        )
    return tuple(effects)


def _changed_alerts(
    connection: Connection, before: Before, ids: Sequence[int]
) -> dict[int, list[AlertEffect]]:
    """By compartment, the alerts whose state or severity is another than before."""
    after = _alerts(connection, ids)
    headlines = import_effects.headlines_of(connection, list(after))
    found: dict[int, list[AlertEffect]] = {}
    for alert_id, alert in after.items():
        known = before.alerts.get(alert_id)
        was = State.NORMAL if known is None else known.state.state
        severity = 0 if known is None else known.state.severity
        if (was, severity) == (alert.state.state, alert.state.severity):
            continue
        effect = AlertEffect(
            condition=alert.state.condition.name,
            from_state=was.value,
            to_state=alert.state.state.value,
            severity=alert.state.severity,
            headline=headlines[alert_id],
            alert_id=alert_id,
            existed=known is not None,
        )
        if alert.subject.compartment_id is not None:
            found.setdefault(alert.subject.compartment_id, []).append(effect)
    return found


def _leading(connection: Connection, ids: Sequence[int]) -> dict[int, NewestSample | None]:
    by_id: dict[int, list[NewestSample]] = {}
    for i in range(0, len(ids), AT_ONCE):
        for newest in views.newest_samples(connection, ids[i : i + AT_ONCE]):
            by_id.setdefault(newest.compartment_id, []).append(newest)
    return {compartment_id: leading(found) for compartment_id, found in by_id.items()}


def _alerts(connection: Connection, ids: Sequence[int]) -> dict[int, alerts.StoredAlert]:
    found: dict[int, alerts.StoredAlert] = {}
    for i in range(0, len(ids), AT_ONCE):
        stored = alerts.states_of(connection, ids[i : i + AT_ONCE])
        found.update((alert.id, alert) for alert in stored.values())
    return found
