"""What follows when samples came, changed or went: judge again, refresh medians, let the newest speak to the alerts.

One place for new samples (:mod:`app.services.record_samples`) and for corrections by hand
(:mod:`app.services.put_right`).
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.domain.alerting import ONLINE_IN_A_ROW_TO_EASE
from app.domain.engine import RULE_SET
from app.domain.findings import Assessment
from app.domain.model import SourceKind, utc_day
from app.science.quantities import NORM_GASES
from app.services.judging import ONLINE_AFTERMATH, Judged, Series, judge_since
from app.services.raise_alerts import News, raise_alerts, spoken
from app.store import assessments, fleet, samples, summaries
from app.store.database import Connection
from app.store.events import events_for


@dataclass(frozen=True, slots=True)
class Touched:
    """A time in a compartment at which something else counts than before."""

    compartment_id: int
    taken_at: datetime
    sample_id: int
    """What changed there."""
    counts: bool = True
    """False when the sample was taken away and nothing of its source counts at that time now."""


def follow_up(
    connection: Connection,
    source: fleet.StoredSource,
    touched: Sequence[Touched],
    now: datetime,
    public_url: str,
) -> None:
    """Assess what the changes can have changed, then let the newest samples speak to the alerts.

    Only a sample at least as new as the newest of its kind of source may raise or clear an alert. When the
    newest one was taken away, the one that is the newest now speaks in its place; of an instrument, which is
    believed only after so many readings in a row, the newest of that number speak once more.
    """
    online = source.source.kind is SourceKind.INSTRUMENT
    if online:
        summaries.refresh_daily_summaries(
            connection, ((t.compartment_id, source.id, utc_day(t.taken_at)) for t in touched)
        )
    by_compartment: dict[int, list[Touched]] = defaultdict(list)
    for one in touched:
        by_compartment[one.compartment_id].append(one)
    contexts = fleet.compartment_context(connection, by_compartment)
    events = events_for(connection, by_compartment)
    for compartment_id, ones in by_compartment.items():
        context = contexts[compartment_id]
        series = Series(
            compartment_id,
            source.id if online else None,
            context.asset,
            events.get(compartment_id, ()),
            context.compartment.oil_volume_l,
            context.compartment.kind,
        )
        speaking = _judge(connection, series, ones, now)
        news = News(compartment_id, source.source, context.asset, public_url)
        raise_alerts(connection, news, spoken(source.source, speaking), now)


def _judge(
    connection: Connection, series: Series, touched: Sequence[Touched], now: datetime
) -> Sequence[Judged]:
    """Assess and store; returns what may speak to the alerts, in time order."""
    fresh = {t.sample_id for t in touched if t.counts}
    times = [t.taken_at for t in touched]
    newest = samples.newest_judged(connection, series.compartment_id, series.instrument_id, fresh)
    gone = [t for t in touched if not t.counts]
    newest_went = _newest_went(gone, newest, [t.taken_at for t in touched if t.counts])
    in_a_row = 1 if series.instrument_id is None else ONLINE_IN_A_ROW_TO_EASE
    left: dict[int, datetime] = {}
    if newest_went:
        left = dict(
            samples.newest_of(connection, series.compartment_id, series.instrument_id, fresh, in_a_row)
        )
    judged = [
        one
        for since, until in _spells(series, [*times, *left.values()])
        for one in judge_since(connection, series, since, until, fresh | left.keys())
    ]
    assessments.save(connection, [(j.sample_id, j.assessment) for j in judged], now)
    speaking = [j for j in judged if j.sample_id in fresh and (newest is None or j.taken_at >= newest)]
    if newest_went and not speaking:
        again = [j for j in judged if j.sample_id in left]
        return again or _nothing_left(max(gone, key=lambda t: t.taken_at), in_a_row)
    return speaking


def _spells(series: Series, times: Sequence[datetime]) -> list[tuple[datetime, datetime]]:
    """First and last of the times that can concern the same samples: one old on-line reading beside a new one must
    not judge all the years between them again."""
    ordered = sorted(times)
    spells = [(ordered[0], ordered[0])]
    for at in ordered[1:]:
        if series.instrument_id is not None and at - spells[-1][1] > ONLINE_AFTERMATH:
            spells.append((at, at))
        else:
            spells[-1] = (spells[-1][0], at)
    return spells


def _newest_went(gone: Sequence[Touched], newest: datetime | None, fresh: Sequence[datetime]) -> bool:
    """True when what was taken away was at least as new as all that is left."""
    left = max([*fresh, *([newest] if newest else [])], default=None)
    return any(left is None or t.taken_at >= left for t in gone)


def _nothing_left(gone: Touched, times: int) -> list[Judged]:
    """No sample counts any more, so there is nothing to be alarmed about; said as often as is believed."""
    nothing = Assessment(
        status=1,
        suspect=False,
        status_reasons=("no sample counts any more",),
        norm_set="",
        rule_set=RULE_SET,
        judged_gases=NORM_GASES,
    )
    instant = timedelta(microseconds=1)  # what is said twice about one time counts once
    return [Judged(gone.sample_id, gone.taken_at + i * instant, nothing) for i in range(times)]
