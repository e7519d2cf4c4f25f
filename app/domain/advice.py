"""What to do next and by when: the ladder of actions for a status, and the cautions that go with it.

The ladder is data (``app/science/tables/actions.csv``); the 2019 guide fixes no day counts except for the
confirmation sample, so the others are common practice and say so.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from app.domain.findings import Assessment
from app.domain.model import Asset, Liquid
from app.science.tables import rows

URGENT_FAULTS = frozenset({"D2", "T3", "C", "T3-H"})
"""Faults that make status 2 urgent: high energy, high temperature, paper (IEEE C57.104-2019, 6.1.2)."""

SAMPLING_CAUTIONS = (
    "Before sampling, check that the oil at the valve is under positive pressure: under negative pressure air is "
    "drawn into an energized unit.",
    "The unit is energized and the oil may be hot. Keep the safety distances; follow local rules and permits.",
    "Hydrogen and acetylene are explosive, in relay gas and headspace too: no flame, no hot work.",
    "Treat the oil of an untested unit as containing PCB.",
)
GENERAL_CAUTION = (
    "Ullage advises and clears nobody to work: the decision is for a qualified person, under the owner's rules and "
    "the manufacturer's instructions."
)


@dataclass(frozen=True, slots=True)
class Action:
    """One step to take. ``source`` cites the clause or says that it is common practice."""

    text: str
    due: date | None
    source: str


@dataclass(frozen=True, slots=True)
class Advice:
    urgency: str
    """``routine``, ``suspect``, ``watch``, ``urgent``, ``high`` or ``extreme``."""
    actions: tuple[Action, ...]
    next_sample_due: date | None
    cautions: tuple[str, ...]


def urgency(assessment: Assessment) -> str:
    """Which rung of the ladder an assessment stands on."""
    if any(f.rule == "extreme" for f in assessment.findings):
        return "extreme"
    if assessment.suspect:
        return "suspect"
    if assessment.status == 3:
        return "high"
    if assessment.status == 2:
        fault = assessment.fault.code if assessment.fault else None
        return "urgent" if fault in URGENT_FAULTS else "watch"
    return "routine"


def advice(assessment: Assessment, asset: Asset, taken_at: datetime) -> Advice:
    """Next actions with due dates, counted in days from the sample; the first action is the next sample.

    A suspect sample of status 3 also carries the actions of its status, after the confirmation.
    """
    step = urgency(assessment)
    wanted = [step]
    if step == "suspect" and assessment.status == 3:
        wanted.append("high")
    actions = tuple(
        _action(row, taken_at)
        for name in wanted
        for row in rows("actions")
        if row["urgency"] == name and not (name != step and row["order"] == "1")
    )
    cautions: tuple[str, ...] = SAMPLING_CAUTIONS
    if asset.liquid is not Liquid.MINERAL_OIL:
        cautions += ("The norms used here are for mineral oil; this unit holds another liquid.",)
    due = min((a.due for a in actions if a.due is not None), default=None)
    return Advice(step, actions, due, (*cautions, GENERAL_CAUTION))


def _action(row: dict[str, str], taken_at: datetime) -> Action:
    source = "common practice, no source"
    if row["provenance"] == "standard":
        source = f"{row['source']}-{row['edition']}, {row['clause']}"
    elif row["source"] != "common practice":
        source = f"common practice; {row['source']}-{row['edition']}, {row['clause']} gives no day count"
    return Action(row["action"], taken_at.date() + timedelta(days=int(row["days"])), source)
