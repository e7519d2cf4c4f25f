"""Posted JSON: what is taken as what, and what is refused with which words."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema_rs import Draft202012Validator

from app.domain.model import Quality, Reading, Rejection, Sample, SetAside, Source, SourceKind
from app.domain.recording.clock import ClockRule, OnDoubt
from app.domain.recording.columns import SampleColumns
from app.intake.recording.payloads import EXAMPLE, MAX_SAMPLES, BadPayload, batch_schema, parse_columns
from app.intake.recording.quantity_keys import IEC_61850
from app.science.quantities import INDEX, NAMES

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
TIME = "2026-03-01T06:00:00Z"
ONE = Source("MON-1", "Monitor 1", SourceKind.INSTRUMENT, "KEL-T1", ("main",))
TWO = Source("MON-2", "Monitor 2", SourceKind.INSTRUMENT, "KEL-T2", ("main", "tap changer"))


RULE = ClockRule()


def one_by_one(found: SampleColumns, source: Source) -> list[Sample | Rejection]:
    """What the columns say, sample by sample in the order of the post."""
    batch: dict[int, Sample | Rejection] = {r.index: r for r in found.rejections if r.index is not None}
    for row, place in enumerate(found.place):
        readings = {}
        for name, column in INDEX.items():
            number = float(found.values[row, column])
            if not np.isnan(number):
                kind = "below" if found.below[row, column] else "value"
                quality = (found.qualities[row] or {}).get(name, Quality.GOOD)
                readings[name] = Reading(name, **{kind: number}, quality=quality)
        aside = found.set_aside[row]
        compartment, at = found.compartment[row], found.taken_at[row]
        batch[place] = Sample(
            source.asset_code or "", compartment, source.code, at, readings, set_aside=aside
        )
    return [batch[i] for i in range(found.size)]


def parse_body(body: bytes, source: Source = ONE, rule: ClockRule = RULE) -> list[Sample | Rejection]:
    return one_by_one(parse_columns(body, source, NOW, rule), source)


def parse(*samples: object, source: Source = ONE, rule: ClockRule = RULE) -> list[Sample | Rejection]:
    """Few samples are read one by one and many alike by columns: here both must say the same."""
    alone = parse_body(json.dumps({"samples": list(samples)}).encode(), source, rule)
    many = parse_body(json.dumps({"samples": list(samples) * 20}).encode(), source, rule)
    assert [_unplaced(item) for item in many] == [_unplaced(item) for item in alone] * 20
    return alone


def _unplaced(item: Sample | Rejection) -> object:
    return item if isinstance(item, Sample) else (item.field.partition("]")[2], item.reason)


def taken(source: Any = ONE, rule: Any = RULE, **sample: object) -> Sample:
    (found,) = parse({"taken_at": TIME, **sample}, source=source, rule=rule)
    assert isinstance(found, Sample), found
    return found


def refused(source: Any = ONE, rule: Any = RULE, **sample: object) -> Rejection:
    (found,) = parse({"taken_at": TIME, **sample}, source=source, rule=rule)
    assert isinstance(found, Rejection), found
    return found


def test_the_documented_example_is_taken() -> None:
    (sample,) = parse(*EXAMPLE["samples"])
    assert isinstance(sample, Sample)
    assert (sample.asset_code, sample.compartment, sample.source_code) == ("KEL-T1", "main", "MON-1")
    assert sample.taken_at == datetime(2026, 3, 1, 6, tzinfo=UTC)
    assert sample.readings["c2h2"] == Reading("c2h2", below=0.5)
    assert sample.readings["h2"] == Reading("h2", value=41.2)
    assert sample.readings["ch4"] == Reading("ch4", value=12.5, quality=Quality.QUESTIONABLE)
    assert set(sample.readings) == {"h2", "ch4", "c2h2", "water", "oil_temperature"}


@pytest.mark.parametrize(
    ("written", "reading"),
    [
        (41, Reading("h2", value=41.0)),
        (0, Reading("h2", value=0.0)),
        ("<0.5", Reading("h2", below=0.5)),
        ("< 5", Reading("h2", below=5.0)),
        ({"below": 0.5}, Reading("h2", below=0.5)),
        (4.12e1, Reading("h2", value=41.2)),
        ({"value": 41.2}, Reading("h2", value=41.2)),
        ({"value": 41}, Reading("h2", value=41.0)),
        ({"value": "<0.5"}, Reading("h2", below=0.5)),
        ({"value": 41.2, "quality": "good"}, Reading("h2", value=41.2)),
        ({"value": 41.2, "quality": None}, Reading("h2", value=41.2)),
        ({"value": 41.2, "quality": "old"}, Reading("h2", value=41.2, quality=Quality.OLD)),
        ({"below": 0.5, "quality": "questionable"}, Reading("h2", below=0.5, quality=Quality.QUESTIONABLE)),
        ({"value": -9999, "quality": "invalid"}, Reading("h2", value=-9999.0, quality=Quality.INVALID)),
    ],
)
def test_a_reading_is_a_number_or_below_a_limit(written: object, reading: Reading) -> None:
    assert taken(h2=written).readings == {"h2": reading}


def test_null_is_not_measured() -> None:
    assert set(taken(h2=1, ch4=None).readings) == {"h2"}


def test_minus_zero_becomes_zero() -> None:
    assert str(taken(h2=-0.0).readings["h2"].value) == "0.0"


@pytest.mark.parametrize(
    ("written", "says"),
    [
        (True, "true is not a reading; give a finite number in µL/L without quotation marks"),
        (False, "false is not a reading"),
        ("41.2", "the text '41.2' is not a reading"),
        ("<", "the text '<' is not a reading"),
        ("<-1", "the text '<-1' is not a reading"),
        ("<1,5", "the text '<1,5' is not a reading"),
        (">5000", "the text '>5000' is not a reading"),
        ("ND", "the text 'ND' is not a reading"),
        ("<٣", "not a number"),
        ("<0", "the detection limit of hydrogen must be above 0 µL/L, not 0"),
        ({"below": 0}, "an object is not a reading"),
        ({"value": 3, "below": 3}, "an object is not a reading"),
        ({"quality": "old"}, "an object is not a reading"),
        ({"value": 3, "unit": "ppm"}, "an object is not a reading"),
        ({"value": True}, "true is not a reading"),
        ({"value": {"value": 3}}, "an object is not a reading"),
        ({"value": 3, "quality": "bad"}, "is no quality; give one of good, questionable, invalid, old"),
        ({"value": 3, "quality": []}, "a list is no quality"),
        ({"value": -1, "quality": "questionable"}, "hydrogen cannot be negative"),
        ({"below": -1, "quality": "invalid"}, "'below' takes a number above 0"),
        ([3], "a list is not a reading"),
        (-1, "hydrogen cannot be negative (-1 µL/L)"),
        (1_000_001, "outside the possible range 0 to 1e+06 µL/L; check the unit"),
        (10**400, "is not a reading; give a finite number"),
    ],
)
def test_what_is_no_reading_is_refused_by_field(written: object, says: str) -> None:
    found = refused(h2=written, ch4=1)
    assert found.field == "samples[0].h2"
    assert says in found.reason


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_not_finite_are_refused(word: str) -> None:
    body = f'{{"samples": [{{"taken_at": "{TIME}", "h2": {word}}}]}}'.encode()
    (found,) = parse_body(body)
    assert isinstance(found, Rejection)
    assert found.field == "samples[0].h2"
    assert "give a finite number" in found.reason


def test_a_temperature_may_be_negative_but_has_no_detection_limit() -> None:
    assert taken(oil_temperature=-12.5).readings["oil_temperature"].value == -12.5
    assert "has no detection limit" in refused(oil_temperature="<20").reason
    assert "outside the possible range -60 to 250 °C" in refused(oil_temperature=900).reason


@pytest.mark.parametrize(
    ("written", "at"),
    [
        ("2026-03-01T06:00:00Z", datetime(2026, 3, 1, 6, tzinfo=UTC)),
        ("2026-03-01t06:00:00z", datetime(2026, 3, 1, 6, tzinfo=UTC)),
        ("2026-03-01 07:00:00+01:00", datetime(2026, 3, 1, 6, tzinfo=UTC)),
        ("2026-03-01T06:00:00.250Z", datetime(2026, 3, 1, 6, 0, 0, 250_000, tzinfo=UTC)),
        ("2026-03-01T06:00Z", datetime(2026, 3, 1, 6, tzinfo=UTC)),
        ("2026-03-01T00:30-05:30", datetime(2026, 3, 1, 6, tzinfo=UTC)),
        ("2026-03-02T13:00:00Z", NOW + timedelta(hours=1)),
    ],
)
def test_times_are_taken_in_utc(written: str, at: datetime) -> None:
    assert taken(taken_at=written, h2=1).taken_at == at


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("2026-03-01T06:00:00", "has no UTC offset; write it in UTC with a Z at the end"),
        ("2026-03-01", "not an ISO 8601 date and time"),
        ("01.03.2026 06:00", "not an ISO 8601 date and time"),
        ("2026-02-30T06:00:00Z", "not a possible time"),
        ("2026-03-01T24:03:00Z", "not a possible time"),
        ("2026-03-01T06:00:60Z", "not a possible time"),
        ("2026-03-01T06:00:00+25:00", "not a possible time"),
        ("0001-01-01T00:00:00+14:00", "the year 1 is out of range"),
        ("9999-12-31T23:59:59-14:00", "out of range"),
        ("1970-01-01T00:00:05Z", "whether the clock was ever set"),
        ("1989-12-31T23:59:59Z", "1989-12-31 is before 1990-01-01"),
        ("2036-03-03T12:00:01Z", "is in the future (it is 2026-03-02 12:00:00 UTC); check the clock"),
        (1_772_000_000, "must be a text; give an ISO 8601 date and time with Z"),
        (None, "must be a text"),
        ("", "not an ISO 8601 date and time"),
        ("2026-03-01T06:00:00Z\n", "not an ISO 8601 date and time"),
    ],
)
def test_what_is_no_time_is_refused(written: object, says: str) -> None:
    found = refused(taken_at=written, h2=1)
    assert found.field == "samples[0].taken_at"
    assert says in found.reason


def test_a_missing_time_is_named() -> None:
    (found,) = parse({"h2": 1})
    assert isinstance(found, Rejection)
    assert (found.field, "is missing" in found.reason) == ("samples[0].taken_at", True)


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("h2ppm", "did you mean 'h2'?"),
        ("h2o", "write 'water' in mg/kg or 'relative_saturation' in %"),
        ("CmbuGas", "a sum of gases is not kept, send the gases themselves"),
        ("oil_temp", "did you mean 'oil_temperature'?"),
        ("acetylene", "did you mean 'c2h2'?"),
        ("timestamp", "known are taken_at, compartment, h2"),
        ("taken", "did you mean 'taken_at'?"),
        ("readings", "put each quantity beside 'taken_at'"),
    ],
)
def test_an_unknown_key_is_refused_with_a_hint(key: str, hint: str) -> None:
    (found,) = parse({"taken_at": TIME, "h2": 1, key: 1})
    assert isinstance(found, Rejection)
    assert found.field == f"samples[0].{key}"
    assert found.reason.startswith(f"unknown key '{key}'; ")
    assert hint in found.reason


def test_an_instrument_of_two_compartments_says_which() -> None:
    assert taken(TWO, compartment="tap changer", h2=1).compartment == "tap changer"
    missing, wrong = refused(TWO, h2=1), refused(TWO, compartment="tank", h2=1)
    assert missing.field == wrong.field == "samples[0].compartment"
    assert missing.reason == "is missing; this instrument serves main, tap changer: say which"
    assert wrong.reason == "this instrument does not serve 'tank'; it serves main, tap changer"


def test_a_sample_without_a_quantity_is_refused() -> None:
    assert "gives no quantity" in refused().reason
    assert "gives no quantity" in refused(h2=None).reason


def test_good_samples_beside_bad_ones_keep_their_place() -> None:
    found = parse(
        {"taken_at": TIME, "h2": 1}, 17, {"taken_at": TIME, "h2": "x"}, {"taken_at": TIME, "h2": "<2"}
    )
    assert [type(item) for item in found] == [Sample, Rejection, Rejection, Sample]
    assert [item.field for item in found if isinstance(item, Rejection)] == ["samples[1]", "samples[2].h2"]


@pytest.mark.parametrize(
    ("body", "field", "problem"),
    [
        (b"", "body", "not_json"),
        (b"{", "body", "not_json"),
        (b"\xff\xfe{}", "body", "not_json"),
        (b'{"samples": [{"taken_at": "\xe9"}]}', "body", "not_json"),
        (b'{"samples": [{"compartment": "\\ud800"}]}', "body", "not_json"),
        (b'{"samples": ' + b"[" * 100_000, "body", "not_json"),
        (b'{"samples": [{"h2": 1' + b"0" * 6000 + b"}]}", "body", "not_json"),
        (b"[]", "body", "invalid"),
        (b"null", "body", "invalid"),
        (b"{}", "samples", "invalid"),
        (b'{"samples": []}', "samples", "invalid"),
        (b'{"samples": {}}', "samples", "invalid"),
        (b'{"samples": [1], "device": 3}', "device", "invalid"),
        (b'{"samples": [' + b"{}," * MAX_SAMPLES + b"{}]}", "samples", "too_many"),
    ],
    ids=lambda value: value[:24] if isinstance(value, (bytes, str)) else None,
)
def test_a_body_that_cannot_be_taken_as_a_whole(body: bytes, field: str, problem: str) -> None:
    with pytest.raises(BadPayload) as caught:
        parse_columns(body, ONE, NOW, RULE)
    assert (caught.value.field, caught.value.problem) == (field, problem)


@pytest.mark.parametrize(
    ("inner", "key"),
    [
        ('"h2": 1, "ch4": 2, "h2": 900', "h2"),
        ('"h2" : 1, "ch4": 2, "h2": 900', "h2"),
        ('"h2"\t:1,"h2"\n:900', "h2"),
        ('"h2": 1, "\\u0068\\u0032": 900', "h2"),
        ('"h2": {"below": 1, "below": 2}', "below"),
        ('"h2": [{"x": 1, "x": 2}]', "x"),
        ('"h2": 1, "compartment": "\\":\\":", "h2": 900', "h2"),
        # blanks before the colons of the keys hide as many as the text in a text adds
        ('"h2" : 1, "ch4" : 2, "compartment": "\\":\\":\\":", "h2": 900', "h2"),
    ],
)
def test_a_repeated_key_is_refused(inner: str, key: str) -> None:
    body = f'{{"samples": [{{"taken_at": "{TIME}", {inner}}}]}}'.encode()
    with pytest.raises(BadPayload, match=f"the key '{key}' stands twice in one object"):
        parse_columns(body, ONE, NOW, RULE)


def test_a_repeated_key_of_the_body_is_refused() -> None:
    body = f'{{"samples": [1], "samples": [{{"taken_at": "{TIME}", "h2": 1}}]}}'.encode()
    with pytest.raises(BadPayload, match="the key 'samples' stands twice in one object"):
        parse_columns(body, ONE, NOW, RULE)


@pytest.mark.parametrize("name", ['"":', '":":', 'a "b": c', ": "])
def test_quotation_marks_and_colons_in_a_text_are_no_keys(name: str) -> None:
    source = Source("MON-3", "Monitor 3", SourceKind.INSTRUMENT, "KEL-T3", (name,))
    assert taken(source, compartment=name, h2=1).compartment == name


def test_the_largest_batch_is_taken() -> None:
    body = json.dumps({"samples": [{"taken_at": TIME, "h2": 1}] * MAX_SAMPLES}).encode()
    assert len(parse_columns(body, ONE, NOW, RULE)) == MAX_SAMPLES


# --- names and qualities of IEC 61850 -----------------------------------------------------------------------


@pytest.mark.parametrize(("alias", "name"), IEC_61850.items())
def test_data_objects_of_iec_61850_are_taken(alias: str, name: str) -> None:
    assert taken(**{alias: 7.5}).readings == {name: Reading(name, value=7.5)}


@pytest.mark.parametrize("first", ["h2", "H2ppm"])
def test_a_quantity_under_two_names_is_refused(first: str) -> None:
    second = {"h2": "H2ppm", "H2ppm": "h2"}[first]
    found = refused(**{first: 1, "ch4": 2, second: 1})
    assert found.field == f"samples[0].{second}"
    assert found.reason == "hydrogen stands twice in this sample, under two names; keep one of them"
    assert taken(**{first: None, second: 1}).readings == {"h2": Reading("h2", value=1.0)}


def test_the_quality_of_a_sample_is_that_of_all_readings_that_give_none() -> None:
    found = taken(
        quality="questionable", h2=1, ch4="<2", co={"value": 3, "quality": "good"}, co2={"value": 4}
    )
    assert {name: reading.quality.value for name, reading in found.readings.items()} == {
        "h2": "questionable",
        "ch4": "questionable",
        "co": "good",
        "co2": "questionable",
    }
    assert taken(quality="good", h2=1).readings == taken(quality=None, h2=1).readings == taken(h2=1).readings
    wrong = refused(quality="bad", h2=1)
    assert (wrong.field, wrong.reason) == (
        "samples[0].quality",
        "the text 'bad' is no quality; give one of good, questionable, invalid, old",
    )


def test_an_invalid_reading_without_a_number_is_not_measured() -> None:
    assert set(taken(h2=1, ch4={"value": None, "quality": "invalid"}).readings) == {"h2"}


# --- the clock ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "aside"),
    [
        ("2026-03-02T13:00:00Z", None),
        ("2026-03-02T13:00:01Z", SetAside.CLOCK_AHEAD),
        ("2036-03-02T12:00:00Z", SetAside.CLOCK_AHEAD),
        ("2016-03-04T12:00:00Z", None),
        ("2016-03-04T11:59:59Z", SetAside.ANCIENT),
        ("1990-01-01T00:00:00Z", SetAside.ANCIENT),
    ],
)
def test_a_sample_of_a_doubted_time_is_set_aside(written: str, aside: SetAside | None) -> None:
    assert taken(taken_at=written, h2=1).set_aside is aside


def test_the_owner_says_what_is_done_with_doubted_times() -> None:
    strict = ClockRule(timedelta(minutes=5), OnDoubt.REFUSE, timedelta(days=30), OnDoubt.REFUSE)
    assert "is in the future" in refused(rule=strict, taken_at="2026-03-02T12:05:01Z", h2=1).reason
    assert "is before 2026-01-31" in refused(rule=strict, taken_at="2026-01-31T11:59:59Z", h2=1).reason
    assert taken(rule=strict, taken_at="2026-01-31T12:00:00Z", h2=1).set_aside is None
    trusting = ClockRule(ancient=timedelta(days=30), on_ancient=OnDoubt.JUDGE)
    assert taken(rule=trusting, taken_at="1999-12-31T12:00:00Z", h2=1).set_aside is None
    assert "ever set" in refused(rule=trusting, taken_at="1980-01-06T00:00:00Z", h2=1).reason
    with pytest.raises(ValueError, match="never judged"):
        ClockRule(on_ahead=OnDoubt.JUDGE)


def test_the_schema_names_every_quantity_and_refers_to_nothing() -> None:
    schema = batch_schema()
    assert "$ref" not in json.dumps(schema)
    sample = schema["properties"]["samples"]["items"]
    assert set(sample["properties"]) == {"taken_at", "compartment", "quality", *NAMES, *IEC_61850}
    assert sample["required"] == ["taken_at"]
    assert sample["additionalProperties"] is False


def test_the_schema_takes_what_the_parser_takes() -> None:
    check = Draft202012Validator(batch_schema())
    assert check.is_valid(EXAMPLE)
    for h2, fits in [
        ({"value": 1}, True),
        ({"below": 1, "quality": "old"}, True),
        ("<0.5", True),
        (None, True),
        (True, False),
        ("1", False),
        ({"value": 1, "below": 1}, False),
        (-1, False),
    ]:
        sample = {"taken_at": TIME, "ch4": 1, "h2": h2}
        assert check.is_valid({"samples": [sample]}) is fits
        assert isinstance(parse(sample)[0], Sample) is fits


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)
NEARLY_A_SAMPLE = st.dictionaries(
    st.sampled_from(["taken_at", "compartment", "quality", "h2", "H2ppm", "c2h2", "oil_temperature", "x"]),
    ANYTHING
    | st.floats(-10, 300)
    | st.sampled_from([TIME, "main", "<0.5", {"below": 1}, {"value": 1, "quality": "old"}, "good", "\0"]),
    max_size=5,
)


def _holds(body: bytes) -> None:
    """Only a list of samples and rejections, in full, or BadPayload."""
    try:
        found = parse_body(body)
    except BadPayload:
        return
    assert len(found) == len(json.loads(body)["samples"])
    for i, item in enumerate(found):
        assert isinstance(item, Sample) or (
            item.index == i and item.field.startswith("samples[") and item.reason
        )


@pytest.mark.fuzz
@settings(max_examples=300, deadline=None)
@given(st.lists(NEARLY_A_SAMPLE | ANYTHING, min_size=1, max_size=4))
def test_arbitrary_samples_are_read_alike_alone_and_among_many(samples: list[Any]) -> None:
    parse(*samples)


@pytest.mark.fuzz
@settings(max_examples=300, deadline=None)
@given(st.lists(NEARLY_A_SAMPLE | ANYTHING, max_size=4))
def test_arbitrary_samples_never_break_the_parser(samples: list[Any]) -> None:
    _holds(json.dumps({"samples": samples}).encode())


@pytest.mark.fuzz
@settings(max_examples=200, deadline=None)
@given(ANYTHING)
def test_arbitrary_json_never_breaks_the_parser(value: Any) -> None:
    _holds(json.dumps(value).encode())


@pytest.mark.fuzz
@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60))
def test_arbitrary_bytes_never_break_the_parser(body: bytes) -> None:
    _holds(body)
