"""What the full report says beside the verdict and can be worked out for many rows at once, which costs a tenth."""

from collections.abc import Mapping
from dataclasses import dataclass

from app.domain.judging.engine import Judgement
from app.domain.judging.frame import Integers
from app.domain.judging.reporting.comparison import compare_norm_sets
from app.domain.judging.rules.certainty import Certainties, judge_certainty


@dataclass(frozen=True, slots=True)
class Details:
    """Of one row: probabilities, in columns of one row, and the classes of its gases under every norm set."""

    certainties: Certainties
    norm_sets: Mapping[str, Mapping[str, int]]


def details_of(judgement: Judgement, rows: Integers, draws: int, *, communicating: bool) -> list[Details]:
    """Details of each of the rows; what is said of one does not hang on the others."""
    certainties = judge_certainty(
        judgement.frame, judgement.levels, judgement.changes, judgement.patterns, rows, draws
    )
    sets = compare_norm_sets(judgement, rows, communicating=communicating)
    return [Details(certainties.of(i), sets[i]) for i in range(len(rows))]
