"""The registry of conditions: every entry with its words, by hand, and nobody else who asks which condition it is."""

import ast
import re
from pathlib import Path
from typing import Any

import pytest

import app
from app.domain.alerting.condition import (
    Audience,
    Condition,
    OfInstruments,
    OfReadings,
    OfSamples,
    RaisedBy,
    SubjectKind,
)
from app.domain.alerting.conditions import registry
from app.domain.alerting.conditions.registry import CONDITIONS, condition_of
from app.domain.alerting.states import OPEN_STATES, REASON_WORDS, STATE_WORDS, Change, Reason, State
from app.domain.findings import Assessment, FaultCall, Finding, Severity

APP = Path(app.__file__).parent
UNIT, ONE, SITE, FLEET = SubjectKind
TABLE = [
    (
        "gassing",
        "Gassing",
        UNIT,
        "a compartment",
        Audience.SITE,
        "2 act in weeks, 3 act in days, 4 act at once",
        "",
    ),
    (
        "confirmation",
        "Confirmation sample wanted",
        UNIT,
        "a compartment",
        Audience.SITE,
        "2 intermediate, 3 high",
        "",
    ),
    (
        *("own_record", "Gas against its own record", UNIT, "a compartment", Audience.SITE),
        *("2 watch, 3 high, 4 extreme", ""),
    ),
    (
        *("water", "Water", UNIT, "a compartment", Audience.SITE),
        *("1 look again, 2 wet, 3 very wet", ""),
    ),
    (
        *("oil", "Oil tests", UNIT, "a compartment", Audience.SITE),
        *("1 repeat the test, 2 poor, 3 very poor", ""),
    ),
    (
        *("paper", "Paper", UNIT, "a compartment", Audience.SITE),
        *("1 look again, 2 aged, 3 near its end", ""),
    ),
    (
        *("online_change", "On-line change", UNIT, "a compartment", Audience.SITE),
        *("1 changed, 2 fast", "online_change online_change_fast"),
    ),
    (
        "silent",
        "Instrument silent",
        ONE,
        "an instrument",
        Audience.SITE,
        "1 late, 2 silent",
        "late silent never_heard back",
    ),
    (
        *("agreement", "Against the laboratory", ONE, "an instrument", Audience.SITE),
        *("1 out of its band, 2 far out of its band", "against_laboratory"),
    ),
    (
        *("data_quality", "Readings in doubt", ONE, "an instrument", Audience.SITE),
        *("1 disturbed, 2 blind", "readings_disturbed readings_blind"),
    ),
    (
        *("site_silent", "Site silent", SITE, "all instruments of a site", Audience.SITE),
        *("1 partly back, 2 silent", "site_silent silent back"),
    ),
    (
        *("fleet_silent", "Whole fleet silent", FLEET, "all instruments", Audience.SITES),
        *("1 partly back, 2 silent", "fleet_silent silent back"),
    ),
]
"""Name, title, subject, what it is about, who is told, severities, cases of the table of next steps."""


def test_the_registry_says_of_every_condition_what_it_is() -> None:
    found = [
        (
            *(c.name, c.title, c.subject, c.about, c.told),
            ", ".join(f"{g.severity} {g.word}" for g in c.grades),
            " ".join(c.cases),
        )
        for c in CONDITIONS
    ]
    assert found == TABLE


def test_a_condition_is_in_one_of_the_families_by_what_raises_it() -> None:
    families = {
        RaisedBy.SAMPLES: OfSamples,
        RaisedBy.READINGS: OfReadings,
        RaisedBy.SILENCE: OfInstruments,
        RaisedBy.DAYS: OfInstruments,
    }
    assert all(isinstance(c, families[c.raised_by]) for c in CONDITIONS)
    assert [c.name for c in registry.OF_SAMPLES] == [
        "gassing",
        "confirmation",
        "own_record",
        "water",
        "oil",
        "paper",
    ]
    assert [c.name for c in registry.OF_READINGS] == ["agreement", "data_quality"]
    assert [c.name for c in registry.OF_SILENCE] == ["silent", "site_silent", "fleet_silent"]
    assert [c.name for c in registry.OF_SAMPLES if c.wants_watching] == ["gassing", "own_record"]
    assert [c.name for c in registry.OF_READINGS if c.disputes_laboratory] == ["agreement"]


def test_every_file_of_a_condition_is_in_the_registry() -> None:
    files = {p.stem for p in (APP / "domain" / "alerting" / "conditions").glob("*.py")}
    assert {c.name for c in CONDITIONS} == files - {
        "__init__",
        "registry",
        "of_one",
        "of_findings",
        "together",
    }


@pytest.mark.parametrize("condition", CONDITIONS, ids=repr)
def test_a_condition_is_found_by_its_stored_name_and_says_what_each_severity_means(
    condition: Condition,
) -> None:
    assert condition_of(condition.name) is condition
    assert len({g.severity for g in condition.grades}) == len(condition.grades)
    for grade in condition.grades:
        assert condition.grade(grade.severity) == grade.word
        assert len(grade.meaning) > len(grade.word)
    assert condition.grade(0) == ""


def test_every_state_and_reason_has_a_word() -> None:
    assert list(STATE_WORDS) == [
        State.UNACKNOWLEDGED,
        State.ACKNOWLEDGED,
        State.RETURNED,
        State.SHELVED,
        State.NORMAL,
    ]
    assert STATE_WORDS[State.RETURNED] == "returned to normal, unacknowledged"
    assert {state for state in State if state not in OPEN_STATES} == {State.NORMAL}
    assert REASON_WORDS == {
        Reason.RAISED: "raised",
        Reason.WORSENED: "worsened",
        Reason.FAULT_CHANGED: "the fault pattern changed",
        Reason.STEPPED_UP: "one step further",
        Reason.STEPPED_DOWN: "one step less",
        Reason.EASED: "eased",
        Reason.RETURNED: "back to normal",
        Reason.UNSHELVED: "the shelving has ended",
        Reason.ACKNOWLEDGED: "acknowledged",
        Reason.SHELVED: "shelved",
    }


# --- nobody else asks which condition it is ---------------------------------------------------------------


NAMES = {c.name for c in CONDITIONS} - {"agreement", "silent", "confirmation", "water", "oil", "paper"}
"""Names that stand for nothing else: "silent" is a state of an instrument too, "water" a quantity."""
CONSTANTS = {c.name.upper() for c in CONDITIONS}


def asks(node: ast.AST) -> bool:
    """Whether a comparison, a membership test or a pattern names a condition."""
    if isinstance(node, ast.Compare):
        parts: list[ast.AST] = [node.left, *node.comparators]
    elif isinstance(node, ast.match_case):
        parts = [node.pattern]
    else:
        return False
    inner = [one for part in parts for one in ast.walk(part)]
    return any(
        (isinstance(one, ast.Name) and one.id in CONSTANTS)
        or (isinstance(one, ast.Constant) and one.value in NAMES)
        for one in inner
    )


def test_no_module_asks_which_condition_it_is() -> None:
    found = []
    for path in sorted(APP.rglob("*.py")):
        if "conditions" in path.parts:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found += [f"{path.relative_to(APP)}:{node.lineno}" for node in ast.walk(tree) if asks(node)]  # type: ignore[attr-defined]
    assert found == []


def test_no_template_asks_which_condition_it_is() -> None:
    asking = re.compile(r"condition\s*(==|!=|in\b|not in\b)")
    found = [p.name for p in APP.rglob("*.html") if asking.search(p.read_text(encoding="utf-8"))]
    assert found == []


@pytest.mark.parametrize(
    "code",
    [
        "if x.condition is GASSING: pass",
        "y = c in {SILENT, AGREEMENT}",
        'z = a.condition == "gassing"',
        "c != SITE_SILENT",
    ],
)
def test_the_search_finds_who_asks(code: str) -> None:
    assert any(asks(node) for node in ast.walk(ast.parse(code)))


# --- what samples' conditions say -------------------------------------------------------------------------


def sample(status: int | None, *rules: str, **fields: Any) -> Assessment:
    found = tuple(Finding(rule, Severity.HIGH, f"{rule}.", "c2h4", 400.0, 95.0, "µL/L") for rule in rules)
    reasons = ("None of the seven norm gases has a number that can be judged.",) if status is None else ()
    known = {"suspect": False, "status_reasons": reasons, "norm_set": "n", "rule_set": "r", "findings": found}
    return Assessment(status, **(known | fields))


T3 = FaultCall("T3", "thermal fault above 700 °C", "all agree")


@pytest.mark.parametrize(
    ("name", "said", "headline", "subject"),
    [
        ("gassing", sample(1), "Status 1, low gas, no sign of gassing", "status 1, normal"),
        (
            *("gassing", sample(2, "delta")),
            *("Status 2, intermediate gas or possible gassing", "status 2, change above its norms"),
        ),
        (
            *("gassing", sample(3, "level")),
            *("Status 3, high gas or probable active gassing", "status 3, gas above its norms"),
        ),
        (
            *("gassing", sample(3, "level", "extreme", fault=T3)),
            "Status 3, high gas or probable active gassing: thermal fault above 700 °C",
            "status 3 extreme, thermal fault above 700 °C",
        ),
        (
            *("gassing", sample(None)),
            "Not judged: None of the seven norm gases has a number that can be judged.",
            "no status; None of the seven norm gases has a number that can be judged.",
        ),
        (
            *("confirmation", sample(2, "delta", suspect=True)),
            *("Confirmation sample asked for", "take a confirmation sample"),
        ),
        (
            *("confirmation", sample(3, "level", "confirmed", fault=T3)),
            *("Confirmation sample received", "change confirmed, status 3, thermal fault above 700 °C"),
        ),
        (
            *("confirmation", sample(1, "refuted")),
            *("Confirmation sample received", "change not confirmed, status 1, normal"),
        ),
        ("confirmation", sample(1), "Confirmation sample received", "confirmation sample, status 1, normal"),
    ],
)
def test_headlines(name: str, said: Assessment, headline: str, subject: str) -> None:
    condition = condition_of(name)
    assert isinstance(condition, OfSamples)
    assert (condition.headline(said), condition.subject_line(said)) == (headline, subject)


@pytest.mark.parametrize(
    ("name", "change", "said", "sentence"),
    [
        (
            "gassing",
            (Reason.RAISED, 3, 1),
            sample(3),
            "The gassing alert is raised (gravity 3, act in days).",
        ),
        (
            "gassing",
            (Reason.WORSENED, 4, 3),
            sample(3),
            "The gassing alert has worsened (gravity 4, act at once; it was gravity 3, act in days).",
        ),
        (
            *("gassing", (Reason.FAULT_CHANGED, 3, 3), sample(3)),
            "The gassing alert stays, but the fault pattern has changed (gravity 3, act in days).",
        ),
        (
            "gassing",
            (Reason.EASED, 2, 4),
            sample(2),
            "The gassing alert has eased (gravity 2, act in weeks; it was gravity 4, act at once).",
        ),
        (
            "gassing",
            (Reason.RETURNED, 0, 2),
            sample(1),
            "The gassing alert is back to normal (below gravity 2; it was gravity 2, act in weeks).",
        ),
        (
            *("gassing", (Reason.UNSHELVED, 2, 2), sample(2)),
            "The gassing alert is back, since its shelving has ended (gravity 2, act in weeks).",
        ),
        (
            "gassing",
            (Reason.ACKNOWLEDGED, 2, None),
            sample(2),
            "The gassing alert is acknowledged (gravity 2, act in weeks).",
        ),
        (
            "gassing",
            (Reason.SHELVED, 2, None),
            sample(2),
            "The gassing alert is shelved (gravity 2, act in weeks).",
        ),
        (
            *("confirmation", (Reason.RAISED, 2, 1), sample(2, suspect=True)),
            "The change is not confirmed yet: take a confirmation sample.",
        ),
        (
            *("confirmation", (Reason.RAISED, 3, 1), sample(3, suspect=True)),
            "The change is not confirmed yet: take a confirmation sample. Until then, act on it as if it were true.",
        ),
        (
            *("confirmation", (Reason.RAISED, 2, 1), sample(1, suspect=True, doubtful=True)),
            "The sample itself is in doubt: take a confirmation sample.",
        ),
        (
            *("confirmation", (Reason.RETURNED, 0, 2), sample(2, "confirmed")),
            "The confirmation sample confirms the change: it is taken as real.",
        ),
        (
            *("confirmation", (Reason.RETURNED, 0, 2), sample(1, "refuted")),
            "The confirmation sample does not show the change.",
        ),
        (
            *("confirmation", (Reason.RETURNED, 0, 2), sample(1)),
            "A confirmation sample has come: no other is asked for.",
        ),
    ],
)
def test_what_a_mail_says_of_a_change(
    name: str, change: tuple[Reason, int, int | None], said: Assessment, sentence: str
) -> None:
    condition = condition_of(name)
    assert isinstance(condition, OfSamples)
    assert condition.sentence(Change(*change), said) == sentence
