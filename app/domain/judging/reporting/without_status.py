"""Which quantities of a row could be judged by what needs no status: a sample eases only what it measured."""

import numpy as np

from app.domain.judging.engine import Judgement
from app.domain.judging.rules.levels import GASES
from app.domain.judging.rules.paper import OWNED
from app.science.quantities import NORM_GASES, OIL_TESTS

WITHOUT_STATUS = ("own_record", "water", "oil", "paper")
"""Rules whose findings speak to conditions of the same name, whether or not the sample has a status."""


def looked_at(judgement: Judgement, row: int) -> dict[str, tuple[str, ...]]:
    """By rule, the quantities that it could judge; a rule that could judge nothing is left out."""
    found = {
        "own_record": _gases(judgement, row),
        "water": ("water",) if judgement.water.looked[row] else (),
        "oil": _tested(judgement, row),
        "paper": _of_paper(judgement, row),
    }
    return {rule: quantities for rule, quantities in found.items() if quantities}


def _gases(judgement: Judgement, row: int) -> tuple[str, ...]:
    if not judgement.levels.barred[row]:
        return ()
    known = ~np.isnan(judgement.frame.values[row, :GASES])
    return tuple(gas for gas, there in zip(NORM_GASES, known, strict=True) if there)


def _tested(judgement: Judgement, row: int) -> tuple[str, ...]:
    return tuple(q for q, grade in zip(OIL_TESTS, judgement.oil_tests.grade[row], strict=True) if grade >= 0)


def _of_paper(judgement: Judgement, row: int) -> tuple[str, ...]:
    found = judgement.paper
    known = {"furfural": bool(found.by[row, OWNED]) or not np.isnan(found.dp_low[row])}
    known["co2"] = not np.isnan(found.carbon[row])
    return tuple(quantity for quantity, there in known.items() if there)
