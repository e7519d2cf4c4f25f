"""Status: deltas, rates and confirmation of every sample, and the DGA status 1-3 that follows (clause 6.1)."""

from typing import Final

import numpy as np

from app.domain.judging.frame import Bools, DailyMedians, SampleFrame
from app.domain.judging.rules.change import Changes
from app.domain.judging.rules.laboratory.walk import walk_laboratory
from app.domain.judging.rules.levels import GASES, HIGH, RAISED, Levels, worst
from app.domain.judging.rules.online import judge_online
from app.domain.judging.rules.rule import Rule
from app.science.quantities import FAULT_GASES, NORM_GASES


def judge_change(frame: SampleFrame, levels: Levels, daily: DailyMedians) -> Changes:
    """Deltas, rates, confirmation and status of every sample."""
    n = len(frame)
    out = Changes(
        reference=np.full((n, GASES), np.nan),
        reference_at=np.full((n, GASES), np.nan),
        reference_below=np.zeros((n, GASES), dtype=np.bool_),
        delta=np.full((n, GASES), np.nan),
        delta_exceeds=np.zeros((n, GASES), dtype=np.bool_),
        early_delta=np.full((n, GASES), np.nan),
        early_at=np.full((n, GASES), np.nan),
        rate=np.full((n, GASES), np.nan),
        rate_low=np.full((n, GASES), np.nan),
        rate_high=np.full((n, GASES), np.nan),
        rate_span=np.full((n, GASES), np.nan),
        rate_points=np.zeros((n, GASES), dtype=np.int64),
        rate_limit=np.full((n, GASES), np.nan),
        rate_exceeds=np.zeros((n, GASES), dtype=np.bool_),
        borne_out=np.zeros((n, GASES), dtype=np.bool_),
        status=np.zeros(n, dtype=np.int64),
        suspect=np.zeros(n, dtype=np.bool_),
        asked=np.zeros(n, dtype=np.bool_),
        confirmed=np.zeros(n, dtype=np.bool_),
        refuted=np.zeros(n, dtype=np.bool_),
        settled_at=np.full(n, np.nan),
        dropped=np.zeros(n, dtype=np.bool_),
        fell=np.zeros((n, GASES), dtype=np.bool_),
        waiting=np.zeros(n, dtype=np.bool_),
        restart=np.zeros(n, dtype=np.bool_),
    )
    if not n:
        return out
    walk_laboratory(frame, levels, out)
    if frame.online.any():
        judge_online(frame, levels, daily, out)
    _settle_status(levels, frame.online, out)
    return out


def _settle_status(levels: Levels, online: Bools, out: Changes) -> None:
    """Step 5 of the status logic: worst gas of levels, deltas and rates; 0 where nothing could be judged.

    Nor is a laboratory sample called low whose detection limit hides whether a fault gas is above its norm: 0 too.
    A suspect sample carries the status it will have if it is confirmed, and is marked suspect.
    """
    level = worst(levels.level)
    status = np.where(level >= HIGH, 3, np.where(level >= RAISED, 2, 1))
    status = np.where(out.delta_exceeds.any(axis=1), np.maximum(status, 2), status)
    status = np.where(out.rate_exceeds.any(axis=1), 3, status)
    hidden = levels.blind[:, _FAULT_GASES].any(axis=1) & ~online & (status == 1)
    out.status[:] = np.where((levels.level >= 0).any(axis=1) & ~hidden, status, 0)


_FAULT_GASES: Final = [NORM_GASES.index(gas) for gas in FAULT_GASES]


CHANGES: Final = Rule(judge_change, ("frame", "levels", "daily"), at_once=True)
