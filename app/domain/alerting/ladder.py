"""The ladder of actions as steps: its rows, the owner's own, and how several rungs become one plan.

Several rungs may each ask for another sample: one is taken, by the earliest of their dates, and has in it what the
others wanted of theirs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from typing import Final

from app.domain.alerting.steps import Action, asked_by
from app.domain.model import LadderStep
from app.science.norms.conditions import tdcg_action, tdcg_actions
from app.science.tables import rows

OWNER_LADDER: Final = "owner's ladder of actions"
SAMPLE: Final = "sample"
"""What a step may ask for that is wanted only once."""


@dataclass(frozen=True, slots=True)
class Step:
    """One row of the ladder, dated.

    ``asks``: :data:`SAMPLE`, or empty. ``also``: what the sample of another step is to have in it if that is taken
    instead of this one's.
    """

    action: Action
    asks: str = ""
    also: str = ""


def rung(name: str, begin: date, holds: frozenset[str] = frozenset()) -> tuple[Step, ...]:
    """The published steps of a rung, days counted from ``begin``; ``holds``: words of the column ``when`` that hold."""
    return tuple(
        Step(
            Action(row["action"], _due(begin, int(row["days"])) if row["days"] else None, asked_by(row)),
            row["asks"],
            row["also"],
        )
        for row in _rows(name)
        if not row["when"] or row["when"] in holds
    )


@cache
def _rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of a rung."""
    return tuple(row for row in rows("actions") if row["urgency"] == name)


def owned(name: str, ladder: Sequence[LadderStep], begin: date) -> tuple[Step, ...]:
    """The owner's steps of a rung, in the owner's order; none where the published ones hold."""
    own = sorted((s for s in ladder if s.urgency == name), key=lambda s: s.order)
    return tuple(Step(Action(s.text, _due(begin, s.days), OWNER_LADDER)) for s in own)


def plan(steps: Sequence[Step]) -> tuple[Step, ...]:
    """In order of date, those without one last, of one day as the rungs have them; one sample of all that are asked
    for, the earliest."""
    samples = [s for s in steps if s.asks == SAMPLE]
    first = min(samples, key=_date, default=None)
    if first is not None:
        wanted = dict.fromkeys(s.also for s in samples if s is not first and s.also not in {"", first.also})
        taken = _with(first, tuple(wanted))
        steps = [taken if s is first else s for s in steps if s is first or s.asks != SAMPLE]
    return tuple(sorted(steps, key=_date))


def by_tdcg(numbers: Mapping[str, float], begin: date) -> tuple[Step, ...]:
    """The row of the 2008 guide's table for this condition; without a rate, the row of the lowest one."""
    condition = numbers.get("condition_2008")
    if condition is None:
        return ()
    row = int(tdcg_action(condition, max(0.0, numbers.get("tdcg_per_day", 0.0))))
    if row < 0:
        return ()
    found = tdcg_actions()[row]
    due = begin + timedelta(days=found.days)
    sample = Step(
        Action(f"Sample {found.sampling}.", due, found.source), SAMPLE, f"then go on {found.sampling}"
    )
    return (Step(Action(found.action, due, found.source)), sample)


def _with(step: Step, wanted: tuple[str, ...]) -> Step:
    if not wanted:
        return step
    text = f"{step.action.text} With the same sample: {'; '.join(wanted)}."
    return replace(step, action=replace(step.action, text=text))


def _date(step: Step) -> date:
    return step.action.due or date.max


def _due(begin: date, days: int) -> date:
    return begin + timedelta(days=days)
