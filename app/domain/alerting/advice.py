"""What to do next about a sample and by when: the ladder of actions, and the cautions that go with it.

The ladder is data (``app/science/tables/actions.csv``); the 2019 guide fixes no day counts except for the
confirmation sample, so the others are common practice and say so.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from app.domain.alerting.cautions import GENERAL, OF_RULES, SAMPLING
from app.domain.alerting.shown import borne_status, by_level
from app.domain.alerting.steps import Action, asked_by
from app.domain.findings import Assessment
from app.domain.model import Asset, LadderStep, Liquid
from app.science.norms.conditions import tdcg_action, tdcg_actions
from app.science.tables import rows

URGENT_FAULTS = frozenset({"D2", "DT", "T3", "C", "T3-H"})
"""Faults that make status 2 urgent: high energy, high temperature, paper (IEEE C57.104-2019, 6.1.2)."""


@dataclass(frozen=True, slots=True)
class Advice:
    urgency: str
    """``routine``, ``early``, ``blind``, ``unjudged``, ``suspect``, ``watch``, ``urgent``, ``high`` or ``extreme``."""
    actions: tuple[Action, ...]
    next_sample_due: date | None
    cautions: tuple[str, ...]


def urgency(assessment: Assessment) -> str:
    """Which rung of the ladder an assessment stands on."""
    rules = {f.rule for f in assessment.findings}
    if "extreme" in rules:
        return "extreme"
    if assessment.status is None:
        return _without_status(assessment, rules)
    status = borne_status(assessment)
    if assessment.suspect and not assessment.doubtful:
        status = by_level(assessment)
        if status == 3:
            return "high"  # the levels alone say so; its first step is the confirming sample
    if assessment.suspect and not assessment.online:
        return "suspect"
    if status == 3:
        return "high"
    if status == 2:
        fault = assessment.fault.code if assessment.fault else None
        return "urgent" if fault in URGENT_FAULTS else "watch"
    return _quiet(assessment, rules)


def _without_status(assessment: Assessment, rules: set[str]) -> str:
    own = _severity(assessment, "own_record")
    return _WITHOUT_STATUS[own] if own else _quiet(assessment, rules)


def _quiet(assessment: Assessment, rules: set[str]) -> str:
    """The rung of a sample in which nothing is above a norm."""
    asked = (("detection_limit", "blind"), ("unjudged", "unjudged"), ("early", "early"))
    return next((rung for rule, rung in asked if rule in rules and not assessment.online), "routine")


_WITHOUT_STATUS = {0: "routine", 1: "watch", 2: "watch", 3: "high", 4: "extreme"}
"""The rung of a compartment that no norm is for, by how far it stands out of its own record."""
RUNGS = ("routine", "suspect", "watch", "urgent", "high", "extreme")
"""Those that the owner may have steps of their own for."""
BESIDE = ("water", "oil", "paper")
"""Rules whose steps stand beside those of the status."""
OWNER_LADDER = "owner's ladder of actions"


def advice(
    assessment: Assessment, asset: Asset, taken_at: datetime, ladder: Sequence[LadderStep] = ()
) -> Advice:
    """Next actions with due dates, counted in days from the sample; the first action is the next sample.

    A suspect sample of status 3 also carries the actions of its status, after the confirmation. An asset judged by
    the 2008 guide gets the action and interval of its condition and TDCG rate. ``ladder`` holds the owner's own
    steps: where there are any for a rung, they replace the published ones.
    """
    step = urgency(assessment)
    own = _severity(assessment, "own_record")
    actions = _rung(f"own_record_{own}", (), taken_at) if own else _rung(step, ladder, taken_at)
    if step == "extreme" and assessment.suspect:
        actions = _rung("unsure", (), taken_at) + actions
    if step == "suspect" and assessment.status == 3:
        actions += _rung("high", ladder, taken_at)[1:]
    if step == "routine" and assessment.online:
        actions = _rung("monitored", (), taken_at)
    beside = [(rule, grave) for rule in BESIDE if (grave := _severity(assessment, rule))]
    if beside and step == "routine" and not own:
        actions = ()  # what stands out beside the gas has its own next sample
    if (
        step != "blind"
        and not assessment.online
        and any(f.rule == "detection_limit" for f in assessment.findings)
    ):
        actions += _rung("blind", (), taken_at)
    for rule, grave in beside:
        actions += _rung(f"{rule}_{grave}", (), taken_at)
    if assessment.norm_set == "ieee_c57_104_2008":
        actions = _tdcg(assessment, taken_at) + actions
    cautions: tuple[str, ...] = SAMPLING
    cautions += tuple(
        text for rule in ("own_record", *BESIDE) if _severity(assessment, rule) for text in OF_RULES[rule]
    )
    if asset.liquid is not Liquid.MINERAL_OIL:
        cautions += ("The norms used here are for mineral oil; this unit holds another liquid.",)
    due = min((a.due for a in actions if a.due is not None), default=None)
    return Advice(step, actions, due, (*cautions, GENERAL))


def _severity(assessment: Assessment, rule: str) -> int:
    """The gravest finding of a rule that speaks beside the status."""
    return max((int(f.severity) for f in assessment.findings if f.rule == rule), default=0)


def _rung(name: str, ladder: Sequence[LadderStep], taken_at: datetime) -> tuple[Action, ...]:
    own = sorted((s for s in ladder if s.urgency == name), key=lambda s: s.order)
    if own:
        return tuple(Action(s.text, _due(taken_at, s.days), OWNER_LADDER) for s in own)
    return tuple(
        Action(row["action"], _due(taken_at, int(row["days"])) if row["days"] else None, asked_by(row))
        for row in rows("actions")
        if row["urgency"] == name
    )


def _tdcg(assessment: Assessment, taken_at: datetime) -> tuple[Action, ...]:
    """The row of the 2008 guide's table for this condition; without a rate, the row of the lowest one."""
    condition = assessment.numbers.get("condition_2008")
    if condition is None:
        return ()
    row = int(tdcg_action(condition, max(0.0, assessment.numbers.get("tdcg_per_day", 0.0))))
    if row < 0:
        return ()
    found = tdcg_actions()[row]
    return (Action(f"{found.action} Sample {found.sampling}.", _due(taken_at, found.days), found.source),)


def _due(taken_at: datetime, days: int) -> date:
    return taken_at.date() + timedelta(days=days)
