"""The same sample under every norm set, side by side: which gases each would call raised or high."""

import numpy as np

from app.domain.judging.engine import Judgement
from app.domain.judging.norms import NORM_SETS, Norming
from app.domain.judging.rules.levels import judge_levels
from app.science.quantities import NORM_GASES


def compare_norm_sets(
    judgement: Judgement, row: int, *, communicating: bool = False
) -> dict[str, dict[str, int]]:
    """Level class of every measured gas under every published set, without the owner's limits.

    Args:
        communicating: whether the tap changer shares oil or gas with the tank (IEC splits acetylene by it).

    Returns:
        By norm set and gas: 0 typical, 1 above the typical limit, 2 above the high one. A gas that cannot be judged
        is left out.
    """
    index = np.array([row], dtype=np.int64)
    frame = judgement.frame.take(index)
    found = {}
    for number, name in enumerate(NORM_SETS):
        default = Norming.default(1)
        norming = Norming(
            np.array([number], dtype=np.int64),
            np.array([communicating]),
            default.owner,
            default.owner_typical,
            default.owner_high,
            judgement.levels.barred[index],
        )
        level = judge_levels(frame, norming).level[0]
        found[name] = {gas: int(c) for gas, c in zip(NORM_GASES, level, strict=True) if c >= 0}
    return found
