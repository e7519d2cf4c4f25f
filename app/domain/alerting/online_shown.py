"""What on-line readings show the alerts, read off the columns they were judged in."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.domain.alerting.decisions import ONLINE_IN_A_ROW_TO_EASE, ONLINE_IN_A_ROW_TO_WORSEN
from app.domain.alerting.shown import Returns, Shown, Speaker, Standing
from app.domain.judging.frame import Bools, Floats, Integers
from app.domain.judging.light_view import OnlineStanding, OnlineView
from app.science.quantities import NORM_GASES


@dataclass(frozen=True)
class OnlineShown:
    """What the readings of a view show, row by row."""

    view: OnlineView

    def row(self, row: int, speaker: Speaker) -> Shown | None:
        """What one reading shows; None where nothing of it could be judged."""
        view = self.view
        status, suspect, fault = view.verdicts[row]
        standing = {name: _standing(one, row) for name, one in view.standing.items() if one.looked[row]}
        if status is None and not standing:
            return None
        return Shown(
            speaker,
            status or 0,
            by_level=int(view.by_level[row]),
            suspect=suspect,
            extreme=bool(view.extreme[row]),
            fault=fault,
            raising=tuple(sorted(g for g, on in zip(NORM_GASES, view.raising[row], strict=True) if on)),
            judged=frozenset(g for g, on in zip(NORM_GASES, view.judged[row], strict=True) if on),
            standing=standing,
            readings=dict(zip(NORM_GASES, view.values[row].tolist(), strict=True)),
            returns=_returns(view.returns[row]) if (status or 0) > 1 else {},
            levels=_levels(view.level[row]) if (status or 0) > 1 else {},
            left={
                severity: dict(zip(NORM_GASES, limits, strict=True))
                for severity, limits in enumerate(view.left[row].tolist(), start=2)
            },
        )

    def that_can_move_alerts(self, rows: Sequence[int]) -> list[int]:
        """Those of the rows that can move an alert: of a long run that shows the same, its beginning and its end.

        A source is believed after so many readings in a row; after that a reading that shows the same again changes
        nothing. Once something was shown, every value counts: the alert eases when the gas has fallen back.
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
                *(part for one in view.standing.values() for part in _columns(one, index)),
            ]
        ).astype(np.int64)
        new = np.r_[True, (shown[1:] != shown[:-1]).any(axis=1)]
        place = np.arange(len(rows))
        since = place - np.maximum.accumulate(np.where(new, place, 0))
        last = np.r_[new[1:], True]
        since[np.maximum.accumulate((shown[:, 0] > 1).astype(np.int64)) > 0] = 0
        return [rows[int(i)] for i in np.flatnonzero((since <= _ENOUGH) | last)]


def _standing(one: OnlineStanding, row: int) -> Standing:
    def named(which: Bools) -> list[str]:
        return [name for name, on in zip(one.quantities, which, strict=True) if on]

    raising, judged = named(one.raising[row]), named(one.judged[row])
    readings, back = {}, {}
    if one.values is not None and one.back is not None:
        readings = dict(zip(one.quantities, one.values[row].tolist(), strict=True))
        back = {q: float(v) for q, v in zip(one.quantities, one.back[row], strict=True) if v == v}
    return Standing(int(one.severity[row]), tuple(sorted(raising)), frozenset(judged), readings, back)


def _columns(one: OnlineStanding, index: Integers) -> tuple[Integers | Bools, ...]:
    return one.severity[index], one.looked[index], one.raising[index], one.judged[index]


_ENOUGH = max(ONLINE_IN_A_ROW_TO_EASE, ONLINE_IN_A_ROW_TO_WORSEN) + 1


def _returns(limits: Floats) -> Returns:
    """(3, 7) limits as small values."""
    return {
        severity: {g: limit for g, limit in zip(NORM_GASES, row, strict=True) if limit == limit}
        for severity, row in enumerate(limits.tolist(), start=2)
    }


def _levels(level: NDArray[np.int8]) -> dict[int, tuple[str, ...]]:
    """By severity, the gases whose level alone raises it."""
    return {
        severity: tuple(g for g, one in zip(NORM_GASES, level.tolist(), strict=True) if one >= severity - 1)
        for severity in (2, 3)
    }
