"""What a fault test comes to: sent, answered, present, judged, mailed, and everything that does not agree."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from fault_clients import Poster, Sink
from soak_fleet import RAMP

from app.store.database import Database
from app.store.recording.reading_columns import counting
from app.store.schema import alert_events, alerts, daily_summaries, messages, samples, sources


@dataclass
class Count:
    """One row of the table. ``wrong`` names what does not agree; it must be empty."""

    kind: str
    seed: int
    kills: int = 0
    figures: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def present(database: Database) -> dict[tuple[str, datetime], list[tuple[int, bool, float]]]:
    """(revision, current, hydrogen) of every stored sample by instrument and time."""
    query = sa.select(
        sources.c.code, samples.c.taken_at, samples.c.revision, samples.c.current, samples.c.h2
    ).join(sources, sources.c.id == samples.c.source_id)
    found: dict[tuple[str, datetime], list[tuple[int, bool, float]]] = {}
    with database.read() as connection:
        for code, at, revision, current, hydrogen in connection.execute(query):
            found.setdefault((code, at), []).append((revision, current, hydrogen))
    return found


def lost(database: Database, posters: Sequence[Poster]) -> int:
    """How many samples were answered for and are not there, while the load may go on."""
    answered = [(p.unit.instrument, at, count) for p in posters for at, count in list(p.answered.items())]
    there = present(database)
    return sum(len(there.get((code, at), ())) < count for code, at, count in answered)


def count_samples(database: Database, posters: Sequence[Poster], into: Count) -> None:
    """All is quiet and everything was answered: the record must be exactly what was sent."""
    there = present(database)
    sent = {(p.unit.instrument, at): contents for p in posters for at, contents in p.contents.items()}
    outcomes: Counter[str] = sum((p.outcomes for p in posters), Counter())
    known: Counter[str] = sum((p.after_a_loss for p in posters), Counter())
    with database.read() as connection:
        counts = connection.execute(sa.select(sa.func.count()).where(*counting())).scalar_one()
        unjudged = connection.execute(
            sa.select(sa.func.count()).where(*counting(), samples.c.rule_set.is_(None))
        ).scalar_one()
        in_days = connection.execute(sa.select(sa.func.sum(daily_summaries.c.count))).scalar_one()
    into.figures |= {
        "sent": len(sent),
        "stored": outcomes["stored"],
        "known": known["already_known"],
        "revised": outcomes["revised"],
        "cut": sum(p.interrupted for p in posters),
        "503": sum(p.unavailable for p in posters),
        "present": len(there),
        "judged": counts - unjudged,
        "lost": sum(key not in there for key in sent),
        "twice": sum(_twice(rows) for rows in there.values()),
    }
    into.wrong += [f"{p.unit.instrument}: {p.failure}" for p in posters if p.failure]
    for key, contents in sent.items():
        wanted = [(i, i == len(contents), h2) for i, h2 in enumerate(contents, 1)]
        if sorted(there.get(key, ())) != wanted:
            into.wrong.append(f"{key}: sent was {wanted}, present is {sorted(there.get(key, ()))}")
    into.wrong += [f"{key}: nobody sent it" for key in there if key not in sent]
    if unjudged or counts != len(sent):
        into.wrong.append(f"{unjudged} of {counts} samples that count are not judged; {len(sent)} were sent")
    if in_days != len(sent):
        into.wrong.append(f"the daily summaries count {in_days} samples")


def _twice(rows: list[tuple[int, bool, float]]) -> int:
    return len(rows) - len({revision for revision, _, _ in rows}) + max(0, sum(c for _, c, _ in rows) - 1)


def count_alerts(database: Database, posters: Sequence[Poster], into: Count) -> None:
    """Every spell of a fault raised its alert once; each event goes on from where the one before it ended."""
    query = (
        sa.select(
            alerts.c.id,
            sources.c.code,
            alert_events.c.from_state,
            alert_events.c.to_state,
            alert_events.c.reason,
            alert_events.c.sample_id,
        )
        .join(alerts, alerts.c.id == alert_events.c.alert_id)
        .join(samples, samples.c.id == alert_events.c.sample_id)
        .join(sources, sources.c.id == samples.c.source_id)
        .where(alerts.c.condition == "gassing")
        .order_by(alert_events.c.alert_id, alert_events.c.id)
    )
    with database.read() as connection:
        rows = connection.execute(query).all()
    states: dict[int, str] = {}
    raised: Counter[str] = Counter()
    seen: Counter[tuple[Any, ...]] = Counter((r.id, r.sample_id, r.reason) for r in rows)
    for row in rows:
        if states.setdefault(row.id, "normal") != row.from_state:
            into.wrong.append(f"alert {row.id} went from {row.from_state} but stood at {states[row.id]}")
        states[row.id] = row.to_state
        raised[row.code] += row.reason == "raised"
    doubled = sum(n - 1 for n in seen.values())
    into.figures |= {
        "spells": sum(p.spells for p in posters),
        "raised": raised.total(),
        "raised twice": doubled,
    }
    if doubled:
        into.wrong.append(f"{doubled} events of alerts are there twice")
    for poster in posters:
        shown = poster.spells - (not poster.unit.fault_shown)
        if not shown <= raised[poster.unit.instrument] <= poster.spells:
            into.wrong.append(
                f"{poster.unit.instrument}: {raised[poster.unit.instrument]} raised of {poster.spells} spells,"
                f" {shown} fully grown (after {RAMP + 5} readings)"
            )


def count_mails(database: Database, sink: Sink, into: Count) -> None:
    """Every message got out, and again only where a kill fell between its sending and its settling."""
    with database.read() as connection:
        rows = connection.execute(sa.select(messages.c.message_id, messages.c.state)).all()
    ids = {row.message_id for row in rows}
    unsent = sum(row.state != "sent" for row in rows)
    missing = sum(i not in sink.taken for i in ids)
    repeats = sum(count - 1 for count in sink.taken.values())
    into.figures |= {"mails": len(ids), "delivered": len(sink.taken), "again": repeats, "mails lost": missing}
    if unsent or missing:
        into.wrong.append(f"{missing} mails never came, {unsent} are not settled as sent")
    if repeats > into.kills + 1:  # at the end the server is killed once more
        into.wrong.append(f"{repeats} mails came again in {into.kills} kills: more than the one being sent")
    if strangers := [i for i in sink.taken if i not in ids]:
        into.wrong.append(f"mails of no message: {strangers[:3]}")


COLUMNS = (
    ("sent", "stored", "known", "revised", "cut", "503", "present", "judged", "lost", "twice"),
    ("spells", "raised", "raised twice", "mails", "delivered", "again", "mails lost"),
)


def table(counts: Sequence[Count]) -> str:
    """The rows as text: samples first, then alerts and mails."""
    blocks = []
    for columns in COLUMNS:
        head = f"{'fault':<22}{'kills':>7}" + "".join(f"{name:>{max(9, len(name) + 2)}}" for name in columns)
        lines = [head]
        for one in counts:
            cells = "".join(f"{one.figures.get(n, 0):>{max(9, len(n) + 2)},}" for n in columns)
            lines.append(f"{one.kind:<22}{one.kills:>7}{cells}")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)
