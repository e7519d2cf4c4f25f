"""Posted JSON: what is taken as what, and what is refused with which words."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.model import Reading, Rejection, Sample, Source, SourceKind
from app.intake.payloads import EXAMPLE, MAX_SAMPLES, BadPayload, batch_schema, parse_samples
from app.science.quantities import NAMES

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
TIME = "2026-03-01T06:00:00Z"
ONE = Source("MON-1", "Monitor 1", SourceKind.INSTRUMENT, "KEL-T1", ("main",))
TWO = Source("MON-2", "Monitor 2", SourceKind.INSTRUMENT, "KEL-T2", ("main", "tap changer"))


def parse(*samples: object, source: Source = ONE) -> list[Sample | Rejection]:
    return parse_samples(json.dumps({"samples": list(samples)}).encode(), source, NOW)


def taken(source: Source = ONE, **sample: object) -> Sample:
    (found,) = parse({"taken_at": TIME, **sample}, source=source)
    assert isinstance(found, Sample), found
    return found


def refused(source: Source = ONE, **sample: object) -> Rejection:
    (found,) = parse({"taken_at": TIME, **sample}, source=source)
    assert isinstance(found, Rejection), found
    return found


def test_the_documented_example_is_taken() -> None:
    (sample,) = parse(*EXAMPLE["samples"])
    assert isinstance(sample, Sample)
    assert (sample.asset_code, sample.compartment, sample.source_code) == ("KEL-T1", "main", "MON-1")
    assert sample.taken_at == datetime(2026, 3, 1, 6, tzinfo=UTC)
    assert sample.readings["c2h2"] == Reading("c2h2", below=0.5)
    assert sample.readings["h2"] == Reading("h2", value=41.2)
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
        ({"value": 3}, "an object is not a reading"),
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
    (found,) = parse_samples(body, ONE, NOW)
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
        ("2026-03-02T13:00:01Z", "is in the future (it is 2026-03-02 12:00:00 UTC); check the clock"),
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
        ("H2ppm", "did you mean 'h2'?"),
        ("H2O", "did you mean 'water'?"),
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
        parse_samples(body, ONE, NOW)
    assert (caught.value.field, caught.value.problem) == (field, problem)


def test_a_repeated_key_is_refused() -> None:
    body = f'{{"samples": [{{"taken_at": "{TIME}", "h2": 1, "ch4": 2, "h2": 900}}]}}'.encode()
    with pytest.raises(BadPayload, match="the key 'h2' stands twice in one object"):
        parse_samples(body, ONE, NOW)


def test_the_largest_batch_is_taken() -> None:
    body = json.dumps({"samples": [{"taken_at": TIME, "h2": 1}] * MAX_SAMPLES}).encode()
    assert len(parse_samples(body, ONE, NOW)) == MAX_SAMPLES


def test_the_schema_names_every_quantity_and_refers_to_nothing() -> None:
    schema = batch_schema()
    assert "$ref" not in json.dumps(schema)
    sample = schema["properties"]["samples"]["items"]
    assert set(sample["properties"]) == {"taken_at", "compartment", *NAMES}
    assert sample["required"] == ["taken_at"]
    assert sample["additionalProperties"] is False


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)
NEARLY_A_SAMPLE = st.dictionaries(
    st.sampled_from(["taken_at", "compartment", "h2", "c2h2", "oil_temperature", "x"]),
    ANYTHING | st.sampled_from([TIME, "main", "<0.5", {"below": 1}, "\0"]),
    max_size=5,
)


def _holds(body: bytes) -> None:
    """Only a list of samples and rejections, in full, or BadPayload."""
    try:
        found = parse_samples(body, ONE, NOW)
    except BadPayload:
        return
    assert len(found) == len(json.loads(body)["samples"])
    for i, item in enumerate(found):
        assert isinstance(item, Sample) or (
            item.index == i and item.field.startswith("samples[") and item.reason
        )


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
