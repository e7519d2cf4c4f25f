"""Fleet files: what is read, and the exact words for what is wrong."""

from datetime import UTC, datetime

import pytest

from app.domain.model import Preservation, SourceKind, TapChanger
from app.intake.fleet_file import FleetFileError, parse_fleet

GOOD = """\
sites:
  - {code: N, name: North Weir, time_zone: CET}
assets:
  - code: N-T1
    name: Transformer 1
    site: N
    serial: 007
    year_energized: 1999
    preservation: sealed
    tap_changer: communicating
    compartments:
      - name: main
      - {name: tap changer, kind: tap_changer, oil_volume_l: 800}
instruments:
  - {code: N-T1-M, name: Monitor, asset: N-T1, compartments: [main, tap changer], expected_interval_minutes: 240}
laboratories:
  - {code: LAB, name: Laboratory, profile: quillfen}
contacts:
  - {code: planner, name: P. Lanner, email: p@north.example, sites: [N]}
service_events:
  - {asset: N-T1, at: 2024-05-03T10:00:00+02:00, kind: degassing, note: after repair}
"""


def test_a_whole_fleet_is_read() -> None:
    fleet = parse_fleet(GOOD, "fleet.yaml")
    asset = fleet.assets[0]
    assert (asset.serial, asset.preservation, asset.tap_changer) == (
        "007",
        Preservation.SEALED,
        TapChanger.COMMUNICATING,
    )
    assert [c.name for c in fleet.compartments] == ["main", "tap changer"]
    assert [(s.code, s.kind) for s in fleet.sources] == [
        ("LAB", SourceKind.LABORATORY),
        ("N-T1-M", SourceKind.INSTRUMENT),
    ]
    assert fleet.service_events[0].at == datetime(2024, 5, 3, 8, tzinfo=UTC)
    assert fleet.service_events[0].compartment == "main"


def test_an_asset_without_compartments_has_a_main_tank() -> None:
    text = "sites: [{code: N, name: North, time_zone: UTC}]\nassets: [{code: A, name: A, site: N}]\n"
    assert [c.name for c in parse_fleet(text, "f").compartments] == ["main"]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "time_zone: CET",
            "time_zone: Mars",
            "f.yaml, line 2, sites[0].time_zone: 'Mars' is not a time zone",
        ),
        ("name: North Weir, ", "", "f.yaml, line 2, sites[0].name: is missing"),
        ("site: N", "site: S", "f.yaml, line 6, assets[0].site: this file defines no site 'S'"),
        ("serial: 007", "seral: 007", "line 7, assets[0].seral: is not a known key; did you mean 'serial'?"),
        ("1999", "19999", "line 8, assets[0].year_energized: 19999 is not between 1900 and 2100"),
        ("1999", "old", "line 8, assets[0].year_energized: 'old' is not a whole number"),
        ("sealed", "shut", "line 9, assets[0].preservation: 'shut' is not one of sealed, free_breathing"),
        ("800", "-1", "line 13, assets[0].compartments[1].oil_volume_l: -1 is not between 1 and 1e+06"),
        ("code: N-T1\n", "code: N T1\n", "line 4, assets[0].code: 'N T1' is not a code"),
        (
            "[main, tap changer]",
            "[tank]",
            "line 15, instruments[0].compartments: this file defines no compartment",
        ),
        ("p@north.example", "p at north", "line 19, contacts[0].email: 'p at north' is not a mail address"),
        ("sites: [N]", "sites: [X]", "line 19, contacts[0].sites: this file defines no site 'X'"),
        (
            "10:00:00+02:00",
            "10:00:00",
            "line 21, service_events[0].at: '2024-05-03T10:00:00' has no time zone",
        ),
        (
            "kind: degassing",
            "kind: magic",
            "line 21, service_events[0].kind: 'magic' is not one of degassing",
        ),
        ("code: LAB", "code: N-T1-M", "instruments[0].code: the source 'N-T1-M' is defined twice"),
        ("year_energized: 1999", "name: again", "line 8, assets[0].name: stands twice; keep one"),
        ("sites:\n", "sites: N\nsits:\n", "f.yaml, line 2, sits: is not a known key; did you mean 'sites'?"),
        ("contacts:\n", "contacts: {}\n#", "contacts: must be a list"),
    ],
)
def test_a_fault_is_told_by_file_line_and_field(old: str, new: str, message: str) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(GOOD.replace(old, new, 1), "f.yaml")
    assert message in str(caught.value)


def test_text_that_is_no_yaml_is_told_by_line() -> None:
    with pytest.raises(FleetFileError, match=r"f.yaml, line 3, file: is not valid YAML"):
        parse_fleet("sites:\n  - {code: [\n", "f.yaml")


@pytest.mark.parametrize("text", ["", "# nothing\n"])
def test_an_empty_file_is_told(text: str) -> None:
    with pytest.raises(FleetFileError, match="is empty"):
        parse_fleet(text, "f.yaml")


def test_all_faults_are_told_at_once_in_the_order_of_lines() -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(GOOD.replace("CET", "Mars").replace("1999", "x").replace("magic", "y"), "f")
    assert [p.line for p in caught.value.problems] == [2, 8]
