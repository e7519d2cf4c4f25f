"""How on-line readings stand: status, suspicion, fault and what is above its limit, straight from the columns.

A monitor posts thousands of readings a year, and nearly all of them say what the one before said. They are stored
with these few words; the sentences of :func:`app.domain.judging.report.report` are made where something changed, or
when somebody asks.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.norms import norms_2019
from app.domain.judging.reporting.fault import fault_code, fault_signs
from app.domain.judging.rules.levels import HIGH, RAISED
from app.science.quantities import NORM_GASES
from app.science.trends.course_signs import course_sign


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
        values: (r, 7) of the norm gases [µL/L].
        returns: (r, 3, 7) for severity 2, 3 and 4, the value at or below which a gas whose change raises it has fallen
            back [µL/L]; NaN where it does not raise it. level: (r, 7) class of each gas.
        left: (r, 2, 7) for severity 2 and 3, the value at or below which a level has fallen back [µL/L].
    """

    verdicts: list[ShortVerdict]
    by_level: Integers
    extreme: Bools
    raising: Bools
    judged: Bools
    standing: Mapping[str, "OnlineStanding"]
    values: Floats
    level: NDArray[np.int8]
    returns: Floats
    left: Floats


@dataclass(frozen=True)
class OnlineStanding:
    """What r rows show of something that needs no status.

    Attributes:
        severity: (r,) 0 for nothing. raising, judged: (r, q) of ``quantities``. looked: (r,) it could be judged.
        values, back: (r, q) what was read, and what it must fall back to before it is over; None where days speak.
    """

    quantities: tuple[str, ...]
    severity: Integers
    raising: Bools
    judged: Bools
    looked: Bools
    values: Floats | None = None
    back: Floats | None = None


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
        values=judgement.frame.values[rows, : len(NORM_GASES)],
        level=level,
        returns=_returns(judgement, rows),
        left=course_sign("fallen_back", "level")
        * np.stack([judgement.levels.typical[rows], judgement.levels.high[rows]], axis=1),
    )


def _returns(judgement: Judgement, rows: Integers) -> Floats:
    """Ours: a change has fallen back at a part of what was its norm, counted from the reference of then; a rate at that
    reference; an extreme result at a part of itself."""
    changes, levels = judgement.changes, judgement.levels
    value = judgement.frame.values[rows, : len(NORM_GASES)]
    reference = changes.reference[rows]
    found = np.full((len(rows), 3, len(NORM_GASES)), np.nan)
    if not (changes.status[rows] > 1).any():
        return found
    of_level, of_change = course_sign("fallen_back", "level"), course_sign("fallen_back", "change")
    norm = norms_2019().delta[levels.side[rows]]
    by_change = np.where(changes.delta_exceeds[rows], reference + of_change * norm, np.inf)
    by_rate = np.where(changes.rate_exceeds[rows], np.where(np.isnan(reference), value, reference), np.inf)
    by_extreme = np.where(judgement.extremes[rows], of_level * value, np.inf)
    for place, limits in enumerate((by_change, by_rate, by_extreme)):
        found[:, place] = np.where(np.isfinite(limits), limits, np.nan)
    return found


def _standing(judgement: Judgement, rows: Integers) -> dict[str, OnlineStanding]:
    found = {}
    barred = judgement.levels.barred[rows] > 0
    if barred.any():
        own = judgement.own_record
        known = ~np.isnan(judgement.frame.values[rows, : len(NORM_GASES)])
        values = judgement.frame.values[rows, : len(NORM_GASES)]
        severity = own.severity()[rows].astype(np.int64)
        found["own_record"] = OnlineStanding(
            *(NORM_GASES, severity, own.raising()[rows], known, barred), values=values, back=own.back[rows]
        )
    water = judgement.water
    looked = water.looked[rows]
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
