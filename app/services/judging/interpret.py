"""`ullage interpret`: the engine on a plain CSV, without any database.

Columns: ``asset,taken_at`` and any quantity; optional ``age_years``, ``liquid``, ``compartment`` (its name),
``compartment_kind`` (main_tank or tap_changer; a compartment named so is of that kind without it), ``rated_kv``,
``paper`` (plain or upgraded), ``source_kind`` (laboratory or instrument), ``laboratory`` (which one, any text),
``event`` (a service event since the sample before, e.g. ``degassing``) and ``baseline`` (any text; where it changes in
the course of an asset's samples, a new baseline starts; an empty cell is as before).
Numbers are in the program's units; "<0.5" is a censored reading; an empty cell was not measured.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from itertools import repeat
from typing import Any, TextIO

import numpy as np

from app.domain.alerting.advice import NOTHING_KNOWN, UnitFacts, advice
from app.domain.findings import Assessment
from app.domain.judging.engine import Judgement, assess
from app.domain.judging.frame import Bools, SampleFrame, to_days
from app.domain.judging.norms import Norming, norming_of
from app.domain.judging.report import ReportOptions, report
from app.domain.judging.reporting.details import Details, details_of
from app.domain.judging.verdict import verdict
from app.domain.model import Asset, EventKind
from app.science.quantities import NAMES
from app.services.judging.interpret_facts import KnownUnits
from app.services.judging.interpret_rows import CsvRow, Plate, Volume, read_rows

ONLINE_INTERVAL_DAYS = 2.0
"""Without ``source_kind``, an asset sampled more often than this (median) counts as monitored on-line."""

AT_ONCE = 256
"""Rows whose probabilities are drawn in one go."""


def interpret_csv(
    file: TextIO, progress: Callable[[int, int], None] | None = None, *, detailed: bool = True
) -> Iterator[dict[str, Any]]:
    """Interpret every row; yields one JSON-able object a row, in the order of the file.

    The rows and the columns of the judgement are held in memory (some 3 kB a row), the results are not.

    Args:
        file: text with a header line.
        progress: called with the number of rows told so far, and of all.
        detailed: trends and probabilities too, which take most of the time.

    Raises:
        CsvError: naming every faulty line; nothing is yielded then.
    """
    rows, judgement, place = judge_csv(file)
    options = ReportOptions(detailed=detailed)
    known = KnownUnits.of(rows, [bool(judgement.frame.online[n]) for n in place])
    details = _details(judgement, place, options) if detailed else repeat(None)
    for i, (row, detail) in enumerate(zip(rows, details, strict=False)):
        asset = Asset(row.asset, row.asset, "", liquid=row.plate.liquid)
        facts = known.at(row)
        yield as_object(row.number, asset, row.taken_at, report(judgement, place[i], options, detail), facts)
        if progress is not None:
            progress(i + 1, len(rows))


def _details(judgement: Judgement, place: list[int], options: ReportOptions) -> Iterator[Details]:
    """Of the rows in their order, in parts of bounded memory."""
    for first in range(0, len(place), AT_ONCE):
        rows = np.array(place[first : first + AT_ONCE], dtype=np.int64)
        yield from details_of(judgement, rows, options.draws, communicating=options.communicating)


def as_object(
    number: int, asset: Asset, taken_at: datetime, assessment: Assessment, facts: UnitFacts = NOTHING_KNOWN
) -> dict[str, Any]:
    """The documented form of one result: everything the engine says, the verdict in words, and what to do next."""
    steps = advice(assessment, asset, taken_at, (), facts)
    return {
        "row": number,
        "asset": asset.code,
        "taken_at": taken_at.isoformat().replace("+00:00", "Z"),
        **assessment.to_json(),
        "verdict": [
            {"topic": s.topic, "text": s.text, "sources": list(s.sources)} for s in verdict(assessment)
        ],
        "urgency": steps.urgency,
        "actions": [
            {"text": a.text, "due": a.due.isoformat() if a.due else None, "source": a.source}
            for a in steps.actions
        ],
        "next_sample_due": steps.next_sample_due.isoformat() if steps.next_sample_due else None,
        "cautions": list(steps.cautions),
    }


def judge_csv(file: TextIO) -> tuple[list[CsvRow], Judgement, list[int]]:
    """Rows of a file, the judgement of all of them, and where each row stands in it. Raises CsvError."""
    rows = read_rows(file)
    judgement, place = judge_rows(rows)
    return rows, judgement, place


def judge_rows(rows: list[CsvRow]) -> tuple[Judgement, list[int]]:
    """One call of the engine for all rows; also where each row of the file stands in its frame."""
    online = _online(rows)
    baselines = _baselines(rows)
    keys = [(r.volume, baselines[i], online[i]) for i, r in enumerate(rows)]
    numbers = {key: n for n, key in enumerate(dict.fromkeys(keys))}
    series = np.array([numbers[key] for key in keys], dtype=np.int64)
    at = np.array([to_days(r.taken_at) for r in rows], dtype=np.float64)
    order = np.lexsort((at, series))
    values = np.array([r.values for r in rows], dtype=np.float64).reshape(len(rows), len(NAMES))
    mask = np.array([r.below for r in rows], dtype=np.int64)
    below = (mask[:, None] >> np.arange(len(NAMES))) & 1 == 1
    laboratories = {name: n for n, name in enumerate(dict.fromkeys(r.laboratory for r in rows))}
    frame = SampleFrame(
        series=series[order],
        at=at[order],
        values=values[order],
        below=below[order],
        age=np.array([r.age for r in rows], dtype=np.float64)[order],
        online=np.array(online, dtype=np.bool_)[order],
        oxygen_ratio=np.full(len(rows), np.nan),
        laboratory=np.array([laboratories[r.laboratory] for r in rows], dtype=np.int64)[order],
        worked=_worked(rows, baselines)[order],
        tripped=np.array([r.event is EventKind.THROUGH_FAULT for r in rows], dtype=np.bool_)[order],
        reviewed=np.array([r.event is EventKind.REVIEW for r in rows], dtype=np.bool_)[order],
    )
    place = np.empty(len(rows), dtype=np.int64)
    place[order] = np.arange(len(rows))
    return assess(frame, norming=_norming([rows[i].plate for i in order])), place.tolist()


def _norming(plates: list[Plate]) -> Norming:
    """The 2019 guide, and what each row says of its oil; rows of one plate share its columns."""
    each = {plate: norming_of(_unit(plate), (), 1, plate.kind) for plate in set(plates)}
    return replace(
        Norming.default(len(plates)),
        **{
            name: np.array([getattr(each[plate], name)[0] for plate in plates])
            for name in ("barred", "liquid", "paper", "rated_kv")
        },
    )


def _unit(plate: Plate) -> Asset:
    kv = None if math.isnan(plate.rated_kv) else plate.rated_kv
    return Asset("", "", "", liquid=plate.liquid, rated_kv=kv, paper=plate.paper)


def _baselines(rows: list[CsvRow]) -> list[int]:
    """Number of each row's baseline within its oil volume: work restarts it, or a label that differs from the last."""
    numbers = [0] * len(rows)
    last: dict[Volume, tuple[str, int]] = {}
    for i in sorted(range(len(rows)), key=lambda i: rows[i].taken_at):
        label, number = last.get(rows[i].volume, ("", 0))
        event = rows[i].event
        if (rows[i].baseline and rows[i].baseline != label) or (
            event is not None and event.restarts_baseline
        ):
            label, number = rows[i].baseline or label, number + 1
        last[rows[i].volume] = (label, number)
        numbers[i] = number
    return numbers


def _worked(rows: list[CsvRow], baselines: list[int]) -> Bools:
    """(n,) whether each row's baseline began with work on the unit: an event says so, or a label changed."""
    first: dict[Volume, int] = {}
    for row, number in zip(rows, baselines, strict=True):
        # the label of an asset's first sample names its baseline and begins none
        first[row.volume] = min(first.get(row.volume, number), number)
    return np.array([n > first[r.volume] for r, n in zip(rows, baselines, strict=True)], dtype=np.bool_)


def _online(rows: list[CsvRow]) -> list[bool]:
    times: dict[Volume, list[datetime]] = defaultdict(list)
    for row in rows:
        times[row.volume].append(row.taken_at)
    often = {}
    for volume, taken in times.items():
        gaps = np.diff(np.sort([to_days(t) for t in taken]))
        often[volume] = len(gaps) >= 3 and float(np.median(gaps)) < ONLINE_INTERVAL_DAYS
    return [often[row.volume] if row.online is None else row.online for row in rows]
