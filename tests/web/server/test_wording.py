"""The words of the pages: templates ask for none that there is not."""

import re
from pathlib import Path

import app.web
from app.domain.alerting.conditions.registry import CONDITIONS
from app.domain.findings import Finding, Severity
from app.web.server import wording

TEMPLATES = Path(app.web.__file__).parent / "templates"


def test_templates_ask_only_for_words_that_there_are() -> None:
    asked = {
        name
        for path in TEMPLATES.glob("*.html")
        for name in re.findall(r"\bwording\.(\w+)", path.read_text(encoding="utf-8"))
    }
    assert "condition" in asked
    assert {name for name in asked if not hasattr(wording, name)} == set()


def test_a_condition_is_called_as_its_registry_says() -> None:
    for condition in CONDITIONS:
        assert wording.condition(condition.name) == condition.title
        assert [wording.severity(condition.name, g.severity) for g in condition.grades] == [
            g.word for g in condition.grades
        ]
    assert [c.name for c in CONDITIONS if wording.of_samples(c.name)] == [
        "gassing",
        "confirmation",
        "own_record",
        "water",
        "oil",
        "paper",
    ]
    assert [c.name for c in CONDITIONS if wording.of_silence(c.name)] == [
        "silent",
        "site_silent",
        "fleet_silent",
    ]


def test_how_much_a_finding_matters_is_a_number_and_a_word() -> None:
    said = [wording.weight(Finding("level", severity, "It is so.")) for severity in Severity]
    assert said == ["0 information", "1 look again", "2 intermediate", "3 high", "4 extreme"]
