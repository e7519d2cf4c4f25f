"""The verdict in words: made from data alone, each sentence with what it rests on."""

import json
import re
from collections.abc import Mapping
from dataclasses import asdict

import pytest
from engine_cast import QUIET, judge, last, one, steady

from app.domain.findings import Assessment
from app.domain.judging.report import report
from app.domain.judging.status_words import STATUS_MEANING
from app.domain.judging.verdict import Sentence, verdict
from app.domain.writing import chance, written

THERMAL = {"h2": 95.0, "ch4": 421.0, "c2h6": 128.0, "c2h4": 695.0, "c2h2": 7.0, "co": 25.0, "co2": 360.0}
WET = {"water": 20.0, "oil_temperature": 60.0}


def growing() -> Assessment:
    return last(
        [(45.0 * i, QUIET | {"c2h4": 10.0 + 8.0 * max(0, i - 7)}) for i in range(16)], detailed=True, age=20.0
    )


def cast() -> dict[str, Assessment]:
    """One assessment of every kind."""
    doubted = [
        *steady(4, h2=60.0, ch4=40.0, c2h6=25.0),
        (720.0, QUIET | {"h2": 6.0, "ch4": 6.0, "c2h6": 5.0}),
    ]
    hidden = [(0.0, QUIET | THERMAL), (180.0, QUIET | THERMAL | {"c2h2": 300.0, "h2": 500.0})]
    warm = [(float(i), QUIET | WET | {"furfural": 1.0}) for i in range(5)]
    return {
        "quiet": report(judge([(0.0, QUIET)]), 0),
        "nothing": report(judge([(0.0, {"acidity": 0.1})]), 0),
        "thermal": report(judge([(0.0, THERMAL)]), 0),
        "near a limit": report(judge([(0.0, QUIET | {"c2h4": 20.2})]), 0),
        "growing": growing(),
        "doubted": last(doubted, age=20.0, detailed=True),
        "hidden": last(hidden, detailed=True),
        "wet": last(warm, detailed=True),
        "tap changer": report(judge([(0.0, QUIET | {"c2h2": 90.0})]), 0),
        "limit too high": report(judge([(0.0, {"c2h2": "<5", "h2": 10.0})]), 0),
        "oxides": report(judge([(0.0, QUIET | {"co": 1500.0, "co2": 2000.0})]), 0),
    }


@pytest.fixture(scope="module", params=list(cast()))
def assessment(request: pytest.FixtureRequest) -> Assessment:
    return cast()[request.param]


def test_every_sentence_has_text_and_a_source(assessment: Assessment) -> None:
    sentences = verdict(assessment)
    assert sentences
    for sentence in sentences:
        assert sentence.text.endswith(".")
        assert sentence.text[0].isupper()
        assert "nan" not in sentence.text.lower().split()
        assert sentence.sources
        assert all(source.strip() for source in sentence.sources)


def test_what_was_stored_tells_the_same_verdict(assessment: Assessment) -> None:
    """Through JSON text, as the store keeps it: the words are made from the data alone."""
    stored = json.loads(json.dumps(assessment.to_json(), allow_nan=False))
    again = Assessment.from_json(stored)
    assert again == assessment
    assert verdict(again) == verdict(assessment)


def test_the_stored_form_has_every_field_that_the_standard_library_would_write(
    assessment: Assessment,
) -> None:
    assert json.dumps(assessment.to_json()) == json.dumps(asdict(assessment))


def test_an_unknown_key_in_a_stored_form_is_an_error() -> None:
    with pytest.raises(TypeError):
        Assessment.from_json(one(QUIET).to_json() | {"colour": "red"})


def test_the_first_sentence_is_the_status_and_the_norm_set() -> None:
    first = verdict(one(QUIET))[0]
    assert first == Sentence(
        "status", f"Status 1, {STATUS_MEANING[1]}, by IEEE C57.104-2019.", ("IEEE C57.104-2019, 6.1.2",)
    )


def test_no_status_is_said_with_its_reason() -> None:
    assert verdict(one({"acidity": 0.1}))[0].text == (
        "No status. None of the seven norm gases has a number that can be judged."
    )


def topics(found: Assessment) -> dict[str, list[str]]:
    said: dict[str, list[str]] = {}
    for sentence in verdict(found):
        said.setdefault(sentence.topic, []).append(sentence.text)
    return said


def test_topics_come_in_order_of_weight() -> None:
    order = ("status", "course", "why", "fault", "sure", "change", "quality", "further", "water")
    for found in cast().values():
        places = [order.index(s.topic) for s in verdict(found) if s.topic not in {"quality", "further"}]
        assert places == sorted(places)


def test_every_level_above_its_norm_is_told_with_number_limit_and_table() -> None:
    why = [s for s in verdict(one(THERMAL)) if s.topic == "why"]
    ethylene = next(s for s in why if s.text.startswith("C₂H₄ 695"))
    assert "695 µL/L is above the 95th percentile of 80 µL/L" in ethylene.text
    assert "O₂/N₂ unknown, so the columns above 0.2, age 1-9 years" in ethylene.text
    assert ethylene.sources == ("IEEE C57.104-2019, 6.1.3 Table 2",)
    assert len(why) == len(
        [f for f in one(THERMAL).findings if f.rule in {"level", "extreme", "delta", "rate"}]
    )


def test_the_fault_is_told_with_how_sure_it_is() -> None:
    said = topics(one(THERMAL))
    assert said["fault"][0].startswith(
        "The pattern of the gases as they stand is that of a thermal fault above 700 °C (T3); "
    )
    assert said["sure"][0].startswith("Given that there is a fault, this one is ")


def test_why_no_fault_is_named_is_told_above_status_1() -> None:
    said = topics(one({"c2h4": 21.0, "o2": 1000.0, "n2": 50_000.0}))
    assert said["fault"] == ["No fault is named: not measured: CH₄, C₂H₂."]


def test_a_status_that_measurement_leaves_open_is_told_so() -> None:
    said = topics(report(judge([(0.0, QUIET | {"c2h4": 20.2})]), 0))
    assert any(
        text.startswith("Measurement uncertainty leaves the status open: status 1 ") for text in said["sure"]
    )
    certain = topics(report(judge([(0.0, QUIET)]), 0))
    assert "sure" not in certain


def test_a_change_tells_how_much_since_when_and_where_it_leads() -> None:
    text = topics(growing())["change"][0]
    assert text.startswith("C₂H₄ rises by ")
    for words in (" µL/L a year since 201", "95 % between", "; at this pace it reaches 95 µL/L "):
        assert words in text


def test_water_is_told_with_its_saturation_and_paper_as_a_band() -> None:
    """Relative saturation at 20 mg/kg and 60 °C is 8.2 % (computed from Oommen's constants); C 2.0 % by Fessler."""
    said = topics(cast()["wet"])["water"]
    assert said[0].startswith("Relative saturation of water is 8 %; at 20 °C the oil would hold ")
    assert said[1].startswith(
        "Apparent water in paper is between 1.5 and 2.5 % by mass, if oil and paper were in balance"
    )
    assert said[2].startswith("Furfural speaks for a mean degree of polymerization of 360 to 560; ")


def test_a_limit_from_memory_names_itself_so() -> None:
    sources = [source for s in verdict(cast()["wet"]) if s.topic == "water" for source in s.sources]
    assert any("from memory" in source for source in sources)


def test_a_number_changed_in_the_data_changes_the_words() -> None:
    data = one(THERMAL).to_json()
    altered: Mapping[str, object] = data | {"status": 2, "relative_saturation": 44.0}
    words = [s.text for s in verdict(Assessment.from_json(altered))]
    assert words[0].startswith("Status 2, ")
    assert "Relative saturation of water is 44 %." in words


def test_large_numbers_are_written_as_people_write_them() -> None:
    """Table 3 for carbon dioxide is 2500 µL/L, so every finding of it is about thousands."""
    found = last([(0.0, QUIET), (200.0, QUIET | {"co2": 604_321.0})])
    texts = [f.text for f in found.findings if f.quantity == "co2"]
    assert texts[0].startswith("CO₂ 604321 µL/L is above ")
    assert texts[1].startswith("CO₂ rose by 602321 µL/L against ")
    assert not any("e+" in s.text for s in verdict(found))


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (1.0, "over 99 %"),
        (0.995, "over 99 %"),
        (0.994, "99 %"),
        (0.5, "50 %"),
        (0.006, "1 %"),
        (0.0, "under 1 %"),
    ],
)
def test_some_hundred_draws_never_make_a_certainty(share: float, words: str) -> None:
    assert chance(share) == words


def test_no_sentence_tells_a_probability_of_all_or_nothing() -> None:
    for found in cast().values():
        for sentence in verdict(found):
            assert not re.search(r"(?<![\d.])(100|0) ?% probable|status \d (100|0) ?%", sentence.text)


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [
        (2600.4, 3, "2600"),
        (999.6, 3, "1000"),
        (12.345, 3, "12.3"),
        (0.04567, 3, "0.0457"),
        (-5000.0, 3, "-5000"),
    ],
)
def test_a_figure_keeps_its_significant_digits(value: float, digits: int, words: str) -> None:
    assert written(value, digits) == words
