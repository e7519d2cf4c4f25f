"""What to do next about a sample and by when: the ladder of actions, and the cautions that go with it.

The ladder is data (``app/science/tables/actions.csv``); the 2019 guide fixes no day counts except for the
confirmation sample, so the others are common practice and say so. What the unit has already is not asked for again.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

from app.domain.alerting.cautions import GENERAL, OF_RULES, SAMPLING, TAP_CHANGER_OIL
from app.domain.alerting.ladder import SAMPLE, Step, by_tdcg, owned, plan, rung
from app.domain.alerting.shown import borne_status, by_level
from app.domain.alerting.steps import Action
from app.domain.findings import Assessment, Course
from app.domain.judging.course.states import ACTIVE, State
from app.domain.model import Asset, CompartmentKind, LadderStep, Liquid, TapChanger

URGENT_FAULTS = frozenset({"D2", "DT", "T3", "C", "T3-H"})
"""Faults that make status 2 urgent: high energy, high temperature, paper (IEEE C57.104-2019, 6.1.2)."""
YOUNG: Final = 1.0
"""[years] In its first year a unit is sampled more often (IEEE C57.104-2019, 5.3.1, fixes no interval)."""
FRESH: Final = timedelta(days=365)
"""So old a sample of the tap changer may be to be compared with (ours)."""


@dataclass(frozen=True, slots=True)
class UnitFacts:
    """What is known of the unit beside the sample; left out: nothing.

    Attributes:
        monitored: an instrument serves this compartment.
        laboratory_at: when its newest laboratory sample was taken. first_at: its first sample of any kind.
        tap_changer_at: when the newest sample of the unit's tap changer was taken.
        asked_at: since when a confirmation sample has been asked for. alarmed_at: since when the unit has been alarmed
            about; of what an instrument reads, a sample has been asked for since then. changed: when it was told that
            an instrument's days have left their own record, and the severity of that, where the alert is open.
        age_years: in service; None: as the nameplate says.
        compartment: of which kind it is.
    """

    monitored: bool = False
    laboratory_at: datetime | None = None
    first_at: datetime | None = None
    tap_changer_at: datetime | None = None
    asked_at: datetime | None = None
    alarmed_at: datetime | None = None
    changed: tuple[datetime, int] | None = None
    age_years: float | None = None
    compartment: CompartmentKind = CompartmentKind.MAIN_TANK


NOTHING_KNOWN: Final = UnitFacts()


@dataclass(frozen=True, slots=True)
class Advice:
    urgency: str
    """The rung of ``actions.csv``, or ``unsampled`` of oil that nobody has judged a sample of."""
    actions: tuple[Action, ...]
    next_sample_due: date | None
    cautions: tuple[str, ...]


def urgency(assessment: Assessment) -> str:
    """Which rung of the ladder an assessment stands on: by the gravity of the course, where one is told."""
    rules = {f.rule for f in assessment.findings}
    if assessment.status is None:
        return "extreme" if "extreme" in rules else _without_status(assessment, rules)
    course = assessment.course
    if course is not None and not assessment.online:  # a reading is newer than the course of its series
        return _by_course(assessment, State(course.state), course.gravity) or _quiet(assessment, rules)
    if "extreme" in rules:
        return "extreme"
    status = borne_status(assessment)
    if assessment.suspect and not assessment.doubtful:
        status = by_level(assessment)
        if status == 3:
            return "high"  # the levels alone say so; its first step is the confirming sample
    if assessment.suspect and not assessment.online:
        return "suspect"
    if status >= 2:
        return _of_status(assessment, status)
    if course is not None and course.state in ACTIVE:
        return "changed"
    return _quiet(assessment, rules)


def _by_course(assessment: Assessment, state: State, gravity: int) -> str | None:
    """The rung of a record; None where it is quiet. What has been at rest for a year is not sampled like what rises."""
    if gravity == 4:
        return "extreme"
    if assessment.suspect and not (gravity == 3 and by_level(assessment) == 3):
        return "suspect" if gravity or assessment.doubtful else "rate_alone"
    if gravity and state in RESTING and not assessment.suspect:
        return "stable_grave" if gravity == 3 else "stable"
    if state is State.FALLEN and 0 < gravity < 3:
        return "fallen"
    if gravity >= 2:
        return _of_status(assessment, gravity)
    return "look" if gravity or borne_status(assessment) > 1 else None


def _of_status(assessment: Assessment, grave: int) -> str:
    if grave >= 3:
        return "high"
    fault = assessment.fault.code if assessment.fault else None
    return "urgent" if fault in URGENT_FAULTS else "watch"


def _without_status(assessment: Assessment, rules: set[str]) -> str:
    own = _severity(assessment, "own_record")
    return _WITHOUT_STATUS[own] if own else _quiet(assessment, rules)


def _quiet(assessment: Assessment, rules: set[str]) -> str:
    """The rung of a sample in which nothing is above a norm."""
    asked = (("detection_limit", "blind"), ("unjudged", "unjudged"), ("early", "early"))
    return next((rung for rule, rung in asked if rule in rules and not assessment.online), "routine")


RESTING: Final = frozenset({State.STABLE_HIGH, State.FALLING, State.ENDED})
"""States in which no gas has been made for a year."""
_WITHOUT_STATUS = {0: "routine", 1: "watch", 2: "watch", 3: "high", 4: "extreme"}
"""The rung of a compartment that no norm is for, by how far it stands out of its own record."""
RUNGS = ("routine", "suspect", "watch", "urgent", "high", "extreme")
"""Those that the owner may have steps of their own for."""
BESIDE = ("water", "oil", "paper")
"""Rules whose steps stand beside those of the status."""


def advice(
    assessment: Assessment,
    asset: Asset,
    taken_at: datetime,
    ladder: Sequence[LadderStep] = (),
    facts: UnitFacts = NOTHING_KNOWN,
) -> Advice:
    """Next actions in order of their dates, of which one at most is another sample; somebody always has one due.

    Days are counted from the sample. A suspect sample of status 3 also carries the actions of its status, from gravity
    2 on. An asset judged by the 2008 guide gets the action and interval of its condition and TDCG rate. ``ladder``
    holds the owner's own steps: where there are any for a rung, they replace the published ones.
    """
    step = urgency(assessment)
    counted = _Begin(asset, taken_at, facts)
    steps = [*_main(assessment, step, ladder, counted)]
    if assessment.norm_set == "ieee_c57_104_2008":
        steps = [*by_tdcg(assessment.numbers, counted.day), *steps]
    if step != "blind" and not assessment.online and _severity(assessment, "detection_limit") is not None:
        steps += rung("blind", counted.day)
    for rule in BESIDE:
        if grave := _severity(assessment, rule):
            steps += rung(f"{rule}_{grave}", counted.day)
    from_tap_changer = _from_tap_changer(assessment, asset, facts)
    if from_tap_changer:
        fresh = facts.tap_changer_at is not None and taken_at - facts.tap_changer_at <= FRESH
        steps += rung("tap_changer", counted.day, frozenset({"sampled" if fresh else "unsampled"}))
    tap_changer = from_tap_changer or facts.compartment is CompartmentKind.TAP_CHANGER
    return _advice(step, _asked_before(steps, assessment, counted), _cautions(assessment, asset, tap_changer))


@dataclass(frozen=True, slots=True)
class _Begin:
    """What days are counted from."""

    asset: Asset
    taken_at: datetime
    facts: UnitFacts

    @property
    def day(self) -> date:
        return self.taken_at.date()

    @property
    def young(self) -> bool:
        years = self.facts.age_years
        years = self.asset.age_years(self.taken_at) if years is None else years
        return years is not None and years < YOUNG


def _main(assessment: Assessment, step: str, ladder: Sequence[LadderStep], begin: _Begin) -> tuple[Step, ...]:
    """The steps of the rung itself."""
    holds = frozenset({"monitored" if begin.facts.monitored or assessment.online else "unmonitored"})
    if own := _severity(assessment, "own_record"):
        return rung(f"own_record_{own}", begin.day)
    if step == "routine" and assessment.online:
        return rung("monitored", begin.day) + _laboratory(begin)
    if step == "changed" and assessment.course:
        return _changed(assessment.course, begin)
    steps = owned(step, ladder, begin.day)
    if not steps and step == "routine" and begin.young:
        steps = rung("young", begin.day)
    steps = steps or rung(step, begin.day, holds)
    if step == "extreme" and assessment.suspect:
        steps = rung("unsure", begin.day) + steps
    course = assessment.course
    if step == "suspect" and assessment.status == 3 and (course is None or course.gravity > 1):
        grave = owned("high", ladder, begin.day)[1:] or rung("high", begin.day)
        steps += tuple(s for s in grave if s.asks != SAMPLE)
    return steps


def _changed(course: Course, begin: _Begin) -> tuple[Step, ...]:
    """The laboratory sample that a rise of an instrument's days asks for: no fresh reading puts it off."""
    told, came = begin.facts.changed, begin.facts.laboratory_at
    since = told[0].date() if told else date.fromisoformat(course.since or begin.day.isoformat())
    if came is not None and came.date() >= since:
        return rung("look", came.date())
    return rung(f"changed_{told[1]}" if told else "look", since)


def _laboratory(begin: _Begin) -> tuple[Step, ...]:
    """The laboratory sample of a unit that its monitor finds quiet."""
    facts = begin.facts
    if facts.laboratory_at is not None:
        return rung("laboratory_due", facts.laboratory_at.date())
    return rung("laboratory_first", (facts.first_at or begin.taken_at).date())


def _asked_before(steps: Sequence[Step], assessment: Assessment, begin: _Begin) -> tuple[Step, ...]:
    """One plan; a sample that was asked for before is due since then, and is not asked for a second time."""
    since, open_still = _asked_since(assessment, begin.facts)
    if since is None or since >= begin.day:
        return plan(steps)
    earlier = begin.day - since
    if urgency(assessment) not in {"routine", "changed"}:
        steps = [_moved(s, earlier) if s.asks == SAMPLE else s for s in steps]
    if not open_still:
        return plan(steps)
    said = f" It has been asked for since {since.isoformat()} and has not come."
    return tuple(_saying(s, said) if s.asks == SAMPLE else s for s in plan([*steps, *rung("asked", since)]))


def _asked_since(assessment: Assessment, facts: UnitFacts) -> tuple[date | None, bool]:
    """Since when another sample has been asked for, and whether none has come since.

    Of what an instrument reads, a laboratory sample that came since begins the count anew; one that left its question
    open asks again itself.
    """
    laboratory = facts.laboratory_at
    if not assessment.online:
        came = facts.asked_at is not None and laboratory is not None and laboratory > facts.asked_at
        return (None, False) if facts.asked_at is None or came else (facts.asked_at.date(), True)
    asked = facts.asked_at or facts.alarmed_at
    if asked is None:
        return None, False
    came = laboratory is not None and laboratory > asked
    begin = laboratory if came and laboratory is not None else asked
    return begin.date(), facts.asked_at is not None or not came


def _moved(step: Step, earlier: timedelta) -> Step:
    due = step.action.due
    return replace(step, action=replace(step.action, due=None if due is None else due - earlier))


def _saying(step: Step, text: str) -> Step:
    return replace(step, action=replace(step.action, text=step.action.text + text))


def without_verdict(asset: Asset, today: date, facts: UnitFacts = NOTHING_KNOWN) -> Advice:
    """For oil that no sample of has been judged: the first sample is due, now where there is none at all."""
    since = facts.laboratory_at or facts.first_at
    steps = rung("unsampled", today) if since is None else rung("unjudged", since.date())
    tap_changer = facts.compartment is CompartmentKind.TAP_CHANGER
    return _advice("unsampled", plan(steps), _cautions(None, asset, tap_changer))


def _advice(step: str, steps: tuple[Step, ...], cautions: tuple[str, ...]) -> Advice:
    samples = [s.action.due for s in steps if s.asks == SAMPLE]
    dates = samples or [s.action.due for s in steps]  # the owner's own steps do not say which is a sample
    due = min((d for d in dates if d is not None), default=None)
    return Advice(step, tuple(s.action for s in steps), due, cautions)


def _cautions(assessment: Assessment | None, asset: Asset, tap_changer: bool) -> tuple[str, ...]:
    cautions: tuple[str, ...] = SAMPLING
    if tap_changer:
        cautions += (TAP_CHANGER_OIL,)
    if assessment is not None:
        of = (rule for rule in ("own_record", *BESIDE) if _severity(assessment, rule))
        cautions += tuple(text for rule in of for text in OF_RULES[rule])
    if asset.liquid is not Liquid.MINERAL_OIL:
        cautions += (
            "The published norms are for mineral oil; this unit holds another liquid and is judged by its own record.",
        )
    return (*cautions, GENERAL)


def _from_tap_changer(assessment: Assessment, asset: Asset, facts: UnitFacts) -> bool:
    """Whether acetylene of the tank may be the tap changer's, in a unit that may have one."""
    tank = facts.compartment is CompartmentKind.MAIN_TANK and asset.tap_changer is not TapChanger.NONE
    return tank and any(f.rule == "tap_changer" for f in assessment.findings)


def _severity(assessment: Assessment, rule: str) -> int | None:
    """The gravest finding of a rule that speaks beside the status; None without any."""
    return max((int(f.severity) for f in assessment.findings if f.rule == rule), default=None)
