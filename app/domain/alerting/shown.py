"""What one sample shows the alerts, as small values: the same whether it was judged in full or as a column of many.

:func:`of_assessment` reads them off an assessment, :class:`OnlineShown` off the columns of on-line readings; what they
mean for a condition is decided once, by :func:`evidence`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from app.domain.alerting.decisions import (
    EXTREME,
    ONLINE_IN_A_ROW_TO_EASE,
    ONLINE_IN_A_ROW_TO_WORSEN,
    Condition,
    Evidence,
)
from app.domain.findings import Assessment
from app.domain.judging.light_view import OnlineView
from app.science.quantities import NORM_GASES


@dataclass(frozen=True, slots=True)
class Speaker:
    """Whose sample it is, and when it was taken. ``source``: a code, or that of all laboratories."""

    source: str
    online: bool
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything about one sample that a condition may be decided by.

    Attributes:
        status: 1-3. by_level: the status that the levels alone give.
        suspect: its change is not believed yet, or was refuted. doubtful: the sample itself is in doubt.
        waiting: an earlier suspect sample waits still. extreme: a result calls for action at once.
        fault: the code of the fault call. raising: gases above a limit. judged: gases whose level could be judged.
    """

    speaker: Speaker
    status: int
    by_level: int
    suspect: bool
    extreme: bool
    doubtful: bool = False
    waiting: bool = False
    fault: str | None = None
    raising: tuple[str, ...] = ()
    judged: frozenset[str] = frozenset()


def of_assessment(assessment: Assessment, speaker: Speaker) -> Shown | None:
    """What an assessment shows; None without a status."""
    if assessment.status is None:
        return None
    findings = assessment.findings
    rules = {"level", "delta", "rate", "extreme"}
    return Shown(
        speaker,
        assessment.status,
        by_level=max((int(f.severity) for f in findings if f.rule == "level"), default=1),
        # one that a later sample of the same batch has refuted already was suspect when it came
        suspect=assessment.suspect or any(f.rule == "dropped" for f in findings),
        extreme=any(f.rule == "extreme" for f in findings),
        doubtful=assessment.doubtful,
        waiting=assessment.waiting,
        fault=assessment.fault.code if assessment.fault else None,
        raising=tuple(sorted({f.quantity for f in findings if f.rule in rules and f.quantity})),
        judged=frozenset(assessment.judged_gases),
    )


def evidence(shown: Shown | None) -> dict[Condition, Evidence]:
    """What a sample says about each condition; one without a status says nothing.

    A suspect sample raises "confirmation", and counts for "gassing" with no more than its levels alone say: it is
    judged, but its change is not believed yet. A doubtful one neither raises nor clears "gassing". While an earlier
    suspect waits for a sample that has the gases in question, "confirmation" stays as it is.
    """
    if shown is None:
        return {}
    found, by = {}, shown.speaker
    if not shown.doubtful:
        severity = _severity(shown)
        fault = shown.fault if severity else None
        found[Condition.GASSING] = Evidence(
            by.source, by.online, severity, fault, by.at, shown.raising, shown.judged
        )
    if not by.online and not shown.waiting:
        asked = max(2, shown.status) if shown.suspect else 0
        gases = shown.raising if shown.suspect else ()
        found[Condition.CONFIRMATION] = Evidence(by.source, by.online, asked, ", ".join(gases) or None, by.at)
    return found


def _severity(shown: Shown) -> int:
    """0 below status 2; the levels alone while the change is suspect; above status 3 where a result is extreme."""
    status = shown.by_level if shown.suspect else shown.status
    if status == 3 and shown.extreme and not shown.suspect:
        return EXTREME
    return status if status >= 2 else 0


@dataclass(frozen=True)
class OnlineShown:
    """What the readings of a view show, row by row."""

    view: OnlineView

    def row(self, row: int, speaker: Speaker) -> Shown | None:
        """What one reading shows; None without a status."""
        view = self.view
        status, suspect, fault = view.verdicts[row]
        if status is None:
            return None
        return Shown(
            speaker,
            status,
            by_level=int(view.by_level[row]),
            suspect=suspect,
            extreme=bool(view.extreme[row]),
            fault=fault,
            raising=tuple(sorted(g for g, on in zip(NORM_GASES, view.raising[row], strict=True) if on)),
            judged=frozenset(g for g, on in zip(NORM_GASES, view.judged[row], strict=True) if on),
        )

    def that_can_move_alerts(self, rows: Sequence[int]) -> list[int]:
        """Those of the rows that can move an alert: of a long run that shows the same, its beginning and its end.

        A source is believed after so many readings in a row; after that a reading that shows the same again changes
        nothing.
        """
        if len(rows) <= _ENOUGH:
            return list(rows)
        view, index = self.view, np.asarray(rows)
        verdicts = [view.verdicts[row] for row in rows]
        shown = np.column_stack(
            [
                [v.status or 0 for v in verdicts],
                [v.suspect for v in verdicts],
                np.unique([v.fault or "" for v in verdicts], return_inverse=True)[1],
                *(view.by_level[index], view.extreme[index], view.raising[index], view.judged[index]),
            ]
        ).astype(np.int64)
        new = np.r_[True, (shown[1:] != shown[:-1]).any(axis=1)]
        place = np.arange(len(rows))
        since = place - np.maximum.accumulate(np.where(new, place, 0))
        last = np.r_[new[1:], True]
        return [rows[int(i)] for i in np.flatnonzero((since <= _ENOUGH) | last)]


_ENOUGH = max(ONLINE_IN_A_ROW_TO_EASE, ONLINE_IN_A_ROW_TO_WORSEN) + 1
