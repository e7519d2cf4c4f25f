"""How on-line readings stand: status, suspicion, fault and what they show the alerts, straight from the columns.

A monitor posts thousands of readings a year, and nearly all of them say what the one before said. They are stored
with these few words; the sentences of :func:`app.domain.judging.report.report` are made where something changed, or
when somebody asks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from app.domain.alerting.decisions import (
    EXTREME,
    ONLINE_IN_A_ROW_TO_EASE,
    ONLINE_IN_A_ROW_TO_WORSEN,
    Condition,
    Evidence,
)
from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Bools, Integers
from app.domain.judging.reporting.fault import fault_of
from app.domain.judging.reporting.methods import methods_of
from app.domain.judging.rules.change import ACETYLENE
from app.domain.judging.rules.extreme import extremes
from app.domain.judging.rules.levels import HIGH, RAISED
from app.science.quantities import NORM_GASES


class ShortVerdict(NamedTuple):
    """What a stored sample says in short; ``status`` is None where no norm gas could be judged."""

    status: int | None
    suspect: bool
    fault: str | None


@dataclass(frozen=True)
class OnlineView:
    """The on-line rows of a judgement, r of them, as what the alerts are decided by.

    Attributes:
        verdicts: (r,) in the order of the rows.
        severity: (r,) as :class:`~app.domain.alerting.decisions.Evidence` has it.
        raising: (r, 7) gases that raise it. judged: (r, 7) gases that could have.
    """

    verdicts: list[ShortVerdict]
    severity: Integers
    raising: Bools
    judged: Bools

    def evidence(self, row: int, source: str, at: datetime) -> dict[Condition, Evidence]:
        """What row ``row`` of this view shows; nothing without a status."""
        status, _, fault = self.verdicts[row]
        if status is None:
            return {}
        severity = int(self.severity[row])
        shown = Evidence(
            source,
            True,
            severity,
            fault if severity else None,
            at,
            tuple(sorted(g for g, on in zip(NORM_GASES, self.raising[row], strict=True) if on)),
            frozenset(g for g, on in zip(NORM_GASES, self.judged[row], strict=True) if on),
        )
        return {Condition.GASSING: shown}

    def that_can_move_alerts(self, rows: Sequence[int]) -> list[int]:
        """Those of the rows that can move an alert: of a long run that shows the same, its beginning and its end.

        A source is believed after so many readings in a row; after that a reading that shows the same again changes
        nothing.
        """
        if len(rows) <= _ENOUGH:
            return list(rows)
        index = np.asarray(rows)
        faults = np.unique([s.fault or "" for s in self.verdicts], return_inverse=True)[1][index]
        known = np.array([self.verdicts[r].status is not None for r in rows])
        shown = np.column_stack(
            [self.severity[index], faults, known, self.raising[index], self.judged[index]]
        ).astype(np.int64)
        new = np.r_[True, (shown[1:] != shown[:-1]).any(axis=1)]
        place = np.arange(len(rows))
        since = place - np.maximum.accumulate(np.where(new, place, 0))
        last = np.r_[new[1:], True]
        return [rows[int(i)] for i in np.flatnonzero((since <= _ENOUGH) | last)]


_ENOUGH = max(ONLINE_IN_A_ROW_TO_EASE, ONLINE_IN_A_ROW_TO_WORSEN) + 1


def online_view(judgement: Judgement, rows: Integers) -> OnlineView:
    """How some on-line rows of a judgement stand."""
    changes, level = judgement.changes, judgement.levels.level[rows]
    status, suspect = changes.status[rows], changes.suspect[rows]
    extreme = extremes(judgement.frame, changes)[rows]
    by_level = np.where((level >= HIGH).any(axis=1), 3, np.where((level >= RAISED).any(axis=1), 2, 1))
    severity = np.where(suspect, by_level, status)
    severity = np.where(severity >= 2, severity, 0)
    severity = np.where(~suspect & (status == 3) & extreme.any(axis=1), EXTREME, severity)
    faults = _faults(judgement, rows)
    return OnlineView(
        verdicts=[
            ShortVerdict(int(s) or None, bool(d), f) for s, d, f in zip(status, suspect, faults, strict=True)
        ],
        severity=severity.astype(np.int64),
        raising=(level >= RAISED) | changes.delta_exceeds[rows] | changes.rate_exceeds[rows] | extreme,
        judged=level >= 0,
    )


def _faults(judgement: Judgement, rows: Integers) -> list[str | None]:
    """The fault that each row is called; it hangs on few whole numbers, so that like rows are asked about once."""
    above = judgement.changes.status[rows] > 1
    found: list[str | None] = [None] * len(rows)
    if not above.any():
        return found
    signs = _signs(judgement)
    known: dict[bytes, str | None] = {}
    for place in np.flatnonzero(above):
        row = int(rows[place])
        key = signs[row].tobytes()
        if key not in known:
            call = fault_of(judgement, row, methods_of(judgement, row), None)
            known[key] = call.code if call else None
        found[place] = known[key]
    return found


def _signs(judgement: Judgement) -> NDArray[np.int8]:
    """(n, signs) everything that the code of a fault call without draws depends on."""
    p, since = judgement.patterns, judgement.increments.since_reference
    zones = (p.triangle_1, p.triangle_4, p.triangle_5, p.pentagon_1, p.pentagon_2)
    columns = [
        *(z.zone for z in zones),
        since.triangle_1.zone,
        since.pentagon_2.zone,
        p.rogers.case,
        p.doernenburg.case,
        p.key_gas.case,
        p.iec_bar,
        judgement.levels.level[:, ACETYLENE] >= RAISED,
    ]
    return np.column_stack([*columns, p.iec_cases]).astype(np.int8)
