"""The words the pages use for statuses, states, reasons and rules. One place, so that pages agree."""

from typing import Final

from app.domain.alerting.condition import RaisedBy
from app.domain.alerting.conditions.registry import condition_of
from app.domain.alerting.states import STATE_WORDS, State
from app.domain.findings import Course, Finding, Trend
from app.domain.judging.course.states import GRAVITY_WORDS, STEP_WORDS, Step, state_words
from app.domain.judging.methods import TITLES
from app.domain.judging.norms import NORM_SET_NAMES
from app.domain.judging.reporting import sentences
from app.domain.judging.reporting.fault import FAULT_NAMES
from app.domain.judging.status_words import STATUS_MEANING, STATUS_SOURCE, STATUS_WORDS

LEVEL_WORDS: Final = {0: "0 typical", 1: "1 above typical", 2: "2 high"}
HEARD_WORDS: Final = {
    "silent": "2 silent",
    "late": "1 late",
    "never_heard": "never heard",
    "maintenance": "in maintenance",
    "on_time": "0 on time",
}
HEARD_ROWS: Final = {"silent": "3", "late": "2", "on_time": "1"}
"""The edge of a row in the list of instruments, as that of a unit of that status."""

FIGURE_WORDS: Final = {
    "tdcg": "total dissolved combustible gas",
    "condition_2008": "condition after IEEE C57.104-2008",
    "nei_oil_without_ethane": "energy intensity of oil without ethane",
    "nei_paper": "energy intensity of paper",
    "nei_oil_gained": "energy intensity of oil gained",
    "co2_co": "CO₂/CO",
    "o2_n2": "O₂/N₂",
    "c2h2_h2": "C₂H₂/H₂",
    "water_at_20": "water corrected to 20 °C",
    "paper_water": "apparent water in paper",
    "paper_water_low": "apparent water in paper, low end",
    "paper_water_high": "apparent water in paper, high end",
    "water_saturation_at_50": "saturation at 50 °C, or warmer as sampled",
    "free_water_at": "temperature below which water comes out of the oil",
    "hot_spot_low": "hot spot at the load, low end",
    "hot_spot_high": "hot spot at the load, high end",
    "bubble_inception_low": "bubble inception temperature, low end",
    "bubble_inception_high": "bubble inception temperature, high end",
    "dp_low": "degree of polymerization from furfural, low end",
    "dp_high": "degree of polymerization from furfural, high end",
}


def course(one: Course) -> str:
    """A course in short: ``rising since 2024-05-01``."""
    return state_words(one)


def gravity(value: int) -> str:
    """``act in weeks``."""
    return GRAVITY_WORDS[value]


def steps(one: Course) -> str:
    """What changed with the sample: ``gassing confirmed, next limit crossed``; empty where nothing did."""
    return ", ".join(STEP_WORDS[Step(name)] for name in one.steps)


def fault(code: str) -> str:
    """A fault code in plain words."""
    return FAULT_NAMES.get(code, "")


def figure(name: str) -> str:
    """A derived figure's name for people."""
    return FIGURE_WORDS.get(name, name.replace("_", " "))


def new_gas(*, online: bool) -> str:
    """What the gas is called that is counted from the reference."""
    return sentences.new_gas("since_reference", online=online)


def reach(trend: Trend) -> str:
    """When a gas reaches its next limit at its pace."""
    return sentences.reach(trend)


def month_before() -> str:
    """What an on-line reading is compared with."""
    return sentences.MONTH_BEFORE


def increment(name: str, *, online: bool) -> str:
    """``Duval triangle 1, new gas since the last believed sample`` for ``duval_triangle_1/since_reference``."""
    zones, _, since = name.partition("/")
    return f"{method(zones)}, {sentences.new_gas(since, online=online)}"


def severity(condition: str, value: int) -> str:
    """The word of a severity of an alert of that condition."""
    return condition_of(condition).grade(value)


def weight(finding: Finding) -> str:
    """``2 intermediate``: how much a finding matters."""
    return f"{int(finding.severity)} {finding.severity.name.lower().replace('_', ' ')}"


def state(name: str) -> str:
    """A state of an alert in words."""
    return STATE_WORDS[State(name)]


def status_meaning(status: int) -> str:
    """What a DGA status means."""
    return STATUS_MEANING[status]


def status_source() -> str:
    """Where that is written."""
    return STATUS_SOURCE


def status_word(status: int | None) -> str:
    """``3 high``; ``not judged`` when there is no status."""
    return "not judged" if status is None else f"{status} {STATUS_WORDS[status]}"


def method(name: str) -> str:
    """A method's name for people."""
    return TITLES.get(name, name.replace("_", " "))


def norm_set(name: str) -> str:
    """A norm set's name for people."""
    return NORM_SET_NAMES.get(name, name.replace("_", " "))


def condition(name: str) -> str:
    """An alert condition's name for people."""
    return condition_of(name).title


def of_samples(name: str) -> bool:
    """Whether samples raise the condition: its severity then is shown as a status."""
    return condition_of(name).raised_by is RaisedBy.SAMPLES


def of_silence(name: str) -> bool:
    """Whether the watch over silence raises it."""
    return condition_of(name).raised_by is RaisedBy.SILENCE
