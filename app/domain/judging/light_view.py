"""How on-line readings stand: status, suspicion, fault and what is above its limit, straight from the columns.

A monitor posts thousands of readings a year, and nearly all of them say what the one before said. They are stored
with these few words; the sentences of :func:`app.domain.judging.report.report` are made where something changed, or
when somebody asks.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Bools, Integers
from app.domain.judging.reporting.fault import fault_code, fault_signs
from app.domain.judging.rules.levels import HIGH, RAISED
from app.science.quantities import NORM_GASES


class ShortVerdict(NamedTuple):
    """What a stored sample says in short; ``status`` is None where no norm gas could be judged."""

    status: int | None
    suspect: bool
    fault: str | None


@dataclass(frozen=True)
class OnlineView:
    """On-line rows of a judgement, r of them, in the order they were asked for.

    Attributes:
        by_level: (r,) the status that the levels alone give. extreme: (r,) a result calls for action at once.
        raising: (r, 7) gases above a limit. judged: (r, 7) gases whose level could be judged.
        standing: by rule, what needs no status; a rule that can judge none of the rows is left out.
    """

    verdicts: list[ShortVerdict]
    by_level: Integers
    extreme: Bools
    raising: Bools
    judged: Bools
    standing: Mapping[str, "OnlineStanding"]


@dataclass(frozen=True)
class OnlineStanding:
    """What r rows show of something that needs no status.

    Attributes:
        severity: (r,) 0 for nothing. raising, judged: (r, q) of ``quantities``. looked: (r,) it could be judged.
    """

    quantities: tuple[str, ...]
    severity: Integers
    raising: Bools
    judged: Bools
    looked: Bools


def online_view(judgement: Judgement, rows: Integers) -> OnlineView:
    """How some on-line rows of a judgement stand."""
    changes, level = judgement.changes, judgement.levels.level[rows]
    status, suspect = changes.status[rows], changes.suspect[rows]
    extreme = judgement.extremes[rows]
    faults = _faults(judgement, rows)
    return OnlineView(
        verdicts=[
            ShortVerdict(int(s) or None, bool(d), f) for s, d, f in zip(status, suspect, faults, strict=True)
        ],
        by_level=np.where((level >= HIGH).any(axis=1), 3, np.where((level >= RAISED).any(axis=1), 2, 1)),
        extreme=np.asarray(extreme.any(axis=1)),
        raising=(level >= RAISED) | changes.delta_exceeds[rows] | changes.rate_exceeds[rows] | extreme,
        judged=level >= 0,
        standing=_standing(judgement, rows),
    )


def _standing(judgement: Judgement, rows: Integers) -> dict[str, OnlineStanding]:
    found = {}
    barred = judgement.levels.barred[rows] > 0
    if barred.any():
        own = judgement.own_record
        known = ~np.isnan(judgement.frame.values[rows, : len(NORM_GASES)])
        found["own_record"] = OnlineStanding(
            NORM_GASES, own.severity()[rows].astype(np.int64), own.raising()[rows], known, barred
        )
    water = judgement.water
    looked = ~np.isnan(water.equal[rows])
    if looked.any():
        severity = water.severity()[rows].astype(np.int64)
        found["water"] = OnlineStanding(
            ("water",), severity, (severity > 0)[:, None], looked[:, None], looked
        )
    return found


def _faults(judgement: Judgement, rows: Integers) -> list[str | None]:
    """The fault that each row is called; it hangs on few signs, so that like rows are asked about once."""
    above = judgement.changes.status[rows] > 1
    found: list[str | None] = [None] * len(rows)
    if not above.any():
        return found
    signs = fault_signs(judgement)
    known: dict[bytes, str | None] = {}
    for place in np.flatnonzero(above):
        row = int(rows[place])
        key = signs[row].tobytes()
        if key not in known:
            known[key] = fault_code(judgement, row)
        found[place] = known[key]
    return found
