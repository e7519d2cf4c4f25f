"""One description of what can be registered: through a file, a body and a form it says and refuses the same."""

import dataclasses
import json
from typing import Any

import pytest

from app.domain.model import Asset, Compartment, Contact, LadderStep, OwnerLimit, ServiceEvent, Site, Source
from app.intake.registering import things
from app.intake.registering.bodies import BadRegistration, read_body, read_form
from app.intake.registering.fleet_file import FleetFileError, parse_fleet
from app.intake.registering.things import AssetBody, AssetEntry, InstrumentBody, SiteBody, Thing

PLATE: dict[str, object] = {
    "name": "Transformer 1",
    "site": "N",
    "kind": "reactor",
    "serial": "007",
    "manufacturer": "Maker & Sons",
    "year_energized": 1999,
    "rated_kv": 132.5,
    "rated_mva": 40,
    "liquid": "natural_ester",
    "oil_volume_l": 18000,
    "preservation": "sealed",
    "tap_changer": "communicating",
    "norm_set": "iec_60599",
    "paper": "upgraded",
}


def as_file(asset: dict[str, object]) -> tuple[Asset, tuple[Compartment, ...]]:
    entry = ", ".join(f"{key}: {value}" for key, value in asset.items())
    text = f"sites: [{{code: N, name: North, time_zone: UTC}}]\nassets:\n  - {{code: A, {entry}}}\n"
    fleet = parse_fleet(text, "f.yaml")
    return fleet.assets[0], fleet.compartments


def as_body(asset: dict[str, object]) -> tuple[Asset, tuple[Compartment, ...]]:
    return read_body(json.dumps(asset).encode(), AssetBody).asset("A")


def as_form(asset: dict[str, object]) -> tuple[Asset, tuple[Compartment, ...]]:
    texts = {key: f" {value} " for key, value in asset.items()}
    return read_form({"code": "A", **texts}, AssetEntry).asset("A")


def test_an_asset_is_the_same_through_every_door() -> None:
    assert as_file(PLATE) == as_body(PLATE) == as_form(PLATE)
    asset, parts = as_body(PLATE)
    assert {f.name for f in dataclasses.fields(Asset) if getattr(asset, f.name) is None} == set()
    assert parts == (Compartment("A", "main", oil_volume_l=18000),)


@pytest.mark.parametrize("left_out", sorted(PLATE.keys() - {"name", "site"}))
def test_what_a_form_leaves_blank_and_a_file_empty_is_left_out(left_out: str) -> None:
    said = {key: value for key, value in PLATE.items() if key != left_out}
    assert as_file({**said, left_out: ""}) == as_form({**said, left_out: ""}) == as_body(said)


@pytest.mark.parametrize(
    ("key", "value", "reason"),
    [
        ("year_energized", 1899, "1899 is not between 1900 and 2100"),
        ("rated_kv", 2000.5, "2000.5 is not between 0.1 and 2000 kV"),
        ("rated_mva", 0, "0 is not between 0.001 and 5000 MVA"),
        ("oil_volume_l", 0.5, "0.5 is not between 1 and 1000000 L"),
        ("kind", "reaktor", "'reaktor' is not one of transformer, reactor; did you mean 'reactor'?"),
        ("norm_set", "iec", "'iec' is not one of ieee_c57_104_2019, ieee_c57_104_2008, iec_60599"),
        ("site", "N 1", "'N 1' is not a code: letters, digits, '.', '_' and '-', at most 63, no space"),
        ("serial", "0" * 501, "must be one line of at most 500 characters; this has 501"),
        ("sreial", "007", "is not a known key; did you mean 'serial'?"),
    ],
)
def test_the_same_is_refused_in_the_same_words_at_every_door(key: str, value: object, reason: str) -> None:
    wrong = {**PLATE, key: value}
    with pytest.raises(FleetFileError) as caught:
        as_file(wrong)
    assert [(p.line, p.field, p.reason) for p in caught.value.problems] == [(3, f"assets[0].{key}", reason)]
    for door in (as_body, as_form):
        with pytest.raises(BadRegistration) as refused:
            door(wrong)
        assert refused.value.errors == [(key, reason)]


@pytest.mark.parametrize(
    ("kind", "body", "errors"),
    [
        (SiteBody, "[]", [("body", "must be an object with the keys name, time_zone")]),
        (SiteBody, '{"name": null, "time_zone": 7}',
         [("name", "null is not a text"), ("time_zone", "7 is not a text; write it in quotes")]),
        (SiteBody, '{"name": ""}', [("name", "is empty; give a text"), ("time_zone", "is missing")]),
        (SiteBody, '{"name": ["x"], "time_zone": "CET"}', [("name", "must be a single value")]),
        (AssetBody, '{"name": "x", "site": "N", "compartments": {}}', [("compartments", "must be a list")]),
        (AssetBody, '{"name": "x", "site": "N", "compartments": ["main"]}',
         [("compartments[0]", "must be an object with the keys name, kind, oil_volume_l")]),
        (AssetBody, '{"name": "x", "site": "N", "compartments": [{"nam": "a"}]}',
         [("compartments[0].name", "is missing"),
          ("compartments[0].nam", "is not a known key; did you mean 'name'?")]),
        (AssetBody, '{"name": "x", "site": "N", "year_energized": "1999", "rated_kv": true, "rated_mva": NaN}',
         [("year_energized", "'1999' is not a whole number; write it without quotes"),
          ("rated_kv", "true is not a number"),
          ("rated_mva", "nan is not between 0.001 and 5000 MVA")]),
        (InstrumentBody, '{"name": "x", "asset": "A", "compartments": []}',
         [("compartments", "must not be empty; name at least one, or leave it out")]),
        (InstrumentBody, json.dumps({"name": "x", "asset": "A", "compartments": [""] * 51}),
         [("compartments", "has 51 entries; at most 50 are allowed")]),
    ],
)  # fmt: skip
def test_faults_of_a_body_are_told_by_field(
    kind: type[Thing], body: str, errors: list[tuple[str, str]]
) -> None:
    with pytest.raises(BadRegistration) as refused:
        read_body(body.encode(), kind)
    assert refused.value.errors == errors
    assert refused.value.readable


@pytest.mark.parametrize(
    ("described", "registered", "elsewhere"),
    [
        (things.SiteEntry, Site, set()),
        (things.AssetEntry, Asset, {"compartments"}),
        (things.CompartmentBody, Compartment, {"asset_code"}),
        (things.LaboratoryEntry, Source, {"kind", "asset_code", "compartments", "expected_interval_minutes",
                                          "posts_per_minute"}),
        (things.InstrumentEntry, Source, {"kind", "profile"}),
        (things.ContactEntry, Contact, set()),
        (things.EventEntry, ServiceEvent, set()),
        (things.LimitEntry, OwnerLimit, set()),
        (things.StepEntry, LadderStep, set()),
    ],
)  # fmt: skip
def test_the_description_has_the_fields_of_the_record(
    described: type[Thing], registered: type[Any], elsewhere: set[str]
) -> None:
    fields = {field.name for field in dataclasses.fields(registered)}
    assert fields ^ set(described.model_fields) == elsewhere


def test_every_number_has_bounds_and_says_what_it_counts() -> None:
    told = 0
    for kind in (
        things.AssetBody,
        things.CompartmentBody,
        things.InstrumentBody,
        things.LimitEntry,
        things.StepEntry,
    ):
        for name, schema in kind.model_json_schema()["properties"].items():
            number = next(
                (s for s in (schema, *schema.get("anyOf", ())) if s.get("type") in {"number", "integer"}),
                None,
            )
            if number is not None:
                told += 1
                assert number["minimum"] < number["maximum"], name
                assert schema["description"], name
    assert told == 11


def test_what_was_read_is_described_as_it_was_written() -> None:
    asset, parts = as_body(PLATE)
    described = AssetEntry.describing_whole(asset, parts).model_dump(mode="json", by_alias=True)
    compartments = [{"name": "main", "kind": "main_tank", "oil_volume_l": 18000.0}]
    assert described == {"code": "A", **PLATE, "compartments": compartments}
