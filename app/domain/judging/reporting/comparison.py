"""The same sample under every norm set, side by side: which gases each would call raised or high."""

from dataclasses import replace

import numpy as np

from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Integers
from app.domain.judging.norms import NORM_SETS, Norming
from app.domain.judging.rules.levels import judge_levels
from app.science.quantities import NORM_GASES


def compare_norm_sets(
    judgement: Judgement, rows: Integers, *, communicating: bool = False
) -> list[dict[str, dict[str, int]]]:
    """Level class of every measured gas of each row under every published set, without the owner's limits.

    Args:
        communicating: whether the tap changer shares oil or gas with the tank (IEC splits acetylene by it).

    Returns:
        One entry a row. By norm set and gas: 0 typical, 1 above the typical limit, 2 above the high one. A gas that
        cannot be judged is left out.
    """
    count = len(rows)
    order = np.argsort(rows)
    # each row stands alone: a series of its own
    frame = replace(judgement.frame.take(rows[order]), series=np.arange(count, dtype=np.int64))
    found: list[dict[str, dict[str, int]]] = [{} for _ in range(count)]
    for number, name in enumerate(NORM_SETS):
        norming = replace(
            Norming.default(count),
            norm_set=np.full(count, number, dtype=np.int64),
            communicating=np.full(count, communicating),
            barred=judgement.levels.barred[rows[order]],
        )
        levels = judge_levels(frame, norming).level.tolist()
        for i, level in zip(order.tolist(), levels, strict=True):
            found[i][name] = {gas: c for gas, c in zip(NORM_GASES, level, strict=True) if c >= 0}
    return found
