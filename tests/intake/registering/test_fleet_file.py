"""Fleet files: what is read, and the exact words for what is wrong."""

from datetime import UTC, datetime

import pytest

from app.domain.model import LimitScope, OwnerLimit, Preservation, SourceKind, TapChanger
from app.intake.registering.fleet_file import FleetFileError, parse_fleet

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
        ("800", "-1", "line 13, assets[0].compartments[1].oil_volume_l: -1 is not between 1 and 1000000 L"),
        ("code: N-T1\n", "code: N T1\n", "line 4, assets[0].code: 'N T1' is not a code"),
        (
            "[main, tap changer]",
            "[tank]",
            "line 15, instruments[0].compartments[0]: this file defines no compartment",
        ),
        ("p@north.example", "p at north", "line 19, contacts[0].email: 'p at north' is not a mail address"),
        ("sites: [N]", "sites: [X]", "line 19, contacts[0].sites[0]: this file defines no site 'X'"),
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
        ("sites: [N]", "sites: [N, N]", "line 19, contacts[0].sites[1]: 'N' stands twice; keep one"),
        ("quillfen", "quilfen", "line 17, laboratories[0].profile: 'quilfen' is not one of hollowell"),
        ("1999", "1_999", "line 8, assets[0].year_energized: '1_999' is not a whole number"),
        ("800", "nan", "line 13, assets[0].compartments[1].oil_volume_l: 'nan' is not a number"),
        ("800", "8_00", "line 13, assets[0].compartments[1].oil_volume_l: '8_00' is not a number"),
        ("800", "1e300", "line 13, assets[0].compartments[1].oil_volume_l: 1e300 is not between"),
        (
            "name: Laboratory",
            'name: "\\ud800"',
            "line 17, laboratories[0].name: '\\ud800' holds half a character",
        ),
        ("p@north.example", '"p@\\ud800"', "line 19, contacts[0].email: 'p@\\ud800' is not a mail address"),
        (
            "2024-05-03T10:00:00+02:00",
            "0001-01-01T00:00:00+10:00",  # lies before the first year in UTC
            "line 21, service_events[0].at: '0001-01-01T00:00:00+10:00' is not a time",
        ),
    ],
)
def test_a_fault_is_told_by_file_line_and_field(old: str, new: str, message: str) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(GOOD.replace(old, new, 1), "f.yaml")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sites:\n  - {code: [\n", "f.yaml, line 3, file: is not valid YAML"),
        (
            GOOD + "# \a\n",
            "f.yaml, line 22, file: is not valid YAML: the character U+0007 may not stand in it",
        ),
        (
            "sites: []\n---\nsites: []\n",
            "f.yaml, line 2, file: is not valid YAML: but found another document",
        ),
        ("- sites\n", "f.yaml, line 1, file: must be a mapping with the keys sites, contacts"),
        ("sites: " + "[" * 5000, "f.yaml, line 1, file: is nested too deeply"),
        ("sites: &a [*a]\n", "f.yaml, line 1, sites[0]: must be a mapping"),
        ("sites: !!python/object/apply:os.getcwd []\nsits: []\n", "line 2, sits: is not a known key"),
    ],
)
def test_text_that_is_no_fleet_is_told_by_line(text: str, message: str) -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f.yaml")
    assert message in str(caught.value)


def test_two_events_that_would_undo_one_another_are_told() -> None:
    again = "  - {asset: N-T1, at: 2024-05-03T08:00:00Z, kind: degassing, note: another}\n"
    with pytest.raises(FleetFileError, match=r"line 22, service_events\[1\].at: .* is defined twice"):
        parse_fleet(GOOD + again, "f.yaml")


def test_the_owner_s_limits_are_read() -> None:
    limits = (
        "limits:\n"
        "  - {scope: fleet, quantity: h2, typical: 60, high: 150, note: own fleet's 90th percentile}\n"
        "  - {scope: kind, of: reactor, quantity: c2h4, typical: 40}\n"
        "  - {scope: asset, of: N-T1, quantity: c2h2, high: 3.5}\n"
    )
    assert parse_fleet(GOOD + limits, "f").limits == (
        OwnerLimit(LimitScope.FLEET, "", "h2", 60, 150, "own fleet's 90th percentile"),
        OwnerLimit(LimitScope.KIND, "reactor", "c2h4", 40, None),
        OwnerLimit(LimitScope.ASSET, "N-T1", "c2h2", None, 3.5),
    )


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ("scope: fleet, quantity: h2", "limits[0].high: give typical, high or both"),
        ("scope: fleet, quantity: h2, typical: 9, high: 8", "limits[0].high: must not be below typical"),
        (
            "scope: fleet, quantity: oil_temperature, high: 8",
            "limits[0].quantity: 'oil_temperature' is not one of h2",
        ),
        (
            "scope: fleet, of: N-T1, quantity: h2, high: 8",
            "limits[0].of: must be left out for the whole fleet",
        ),
        ("scope: asset, quantity: h2, high: 8", "limits[0].of: is missing"),
        ("scope: asset, of: N-T9, quantity: h2, high: 8", "limits[0].of: this file defines no asset 'N-T9'"),
        ("scope: kind, of: motor, quantity: h2, high: 8", "limits[0].of: 'motor' is not one of transformer"),
        ("scope: fleet, quantity: h2, high: -8", "limits[0].high: -8 is not between 0 and 1000000 µL/L"),
    ],
)
def test_a_fault_of_a_limit_is_told(limit: str, message: str) -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(f"{GOOD}limits:\n  - {{{limit}}}\n", "f.yaml")
    assert f"f.yaml, line 23, {message}" in str(caught.value)


@pytest.mark.parametrize("text", ["", "# nothing\n"])
def test_an_empty_file_is_told(text: str) -> None:
    with pytest.raises(FleetFileError, match="is empty"):
        parse_fleet(text, "f.yaml")


def test_all_faults_are_told_at_once_in_the_order_of_lines() -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(GOOD.replace("CET", "Mars").replace("1999", "x").replace("magic", "y"), "f")
    assert [p.line for p in caught.value.problems] == [2, 8]


LIMITS = """\
limits:
  - {scope: fleet, quantity: co, high: 1000}
  - {scope: kind, of: reactor, quantity: h2, typical: 60, high: 150, note: agreed with the maker}
  - {scope: asset, of: N-T1, quantity: h2, typical: 50}
actions:
  - {urgency: watch, order: 1, text: Take another sample., days: 21}
"""


def test_the_owner_s_limits_and_steps_are_read() -> None:
    fleet = parse_fleet(GOOD + LIMITS, "f.yaml")
    assert [(x.scope.value, x.of, x.quantity, x.typical, x.high) for x in fleet.limits] == [
        ("fleet", "", "co", None, 1000.0),
        ("kind", "reactor", "h2", 60.0, 150.0),
        ("asset", "N-T1", "h2", 50.0, None),
    ]
    assert [(x.urgency, x.order, x.text, x.days) for x in fleet.actions] == [
        ("watch", 1, "Take another sample.", 21)
    ]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("of: reactor", "of: motor", "limits[1].of: 'motor' is not one of transformer, reactor"),
        ("of: N-T1", "of: N-T9", "limits[2].of: this file defines no asset 'N-T9'"),
        ("scope: fleet,", "scope: fleet, of: N,", "limits[0].of: must be left out for the whole fleet"),
        (", high: 1000", "", "limits[0].high: give typical, high or both"),
        ("high: 150", "high: 15", "limits[1].high: must not be below typical"),
        ("quantity: co", "quantity: o2", "limits[0].quantity: 'o2' is not one of h2, ch4"),
        ("urgency: watch", "urgency: soon", "actions[0].urgency: 'soon' is not one of routine, suspect"),
        ("days: 21", "days: soon", "actions[0].days: 'soon' is not a whole number"),
        (", days: 21", "", "actions[0].days: is missing"),
    ],
)
def test_faults_of_limits_and_steps_are_told(old: str, new: str, message: str) -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(GOOD + LIMITS.replace(old, new, 1), "f.yaml")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("written", "read"), [("", None), (", posts_per_minute: 0", 0), (", posts_per_minute: 30", 30)]
)
def test_how_often_an_instrument_may_post(written: str, read: int | None) -> None:
    text = (
        "sites: [{code: W, name: West, time_zone: UTC}]\n"
        "assets: [{code: T, name: T, site: W}]\n"
        f"instruments: [{{code: M, name: M, asset: T{written}}}]\n"
    )
    (source,) = parse_fleet(text, "fleet.yaml").sources
    assert source.posts_per_minute == read


@pytest.mark.parametrize("written", ["-1", "1.5", "many", "1000001"])
def test_a_number_of_posts_that_cannot_be_is_named(written: str) -> None:
    text = (
        "sites: [{code: W, name: West, time_zone: UTC}]\n"
        "assets: [{code: T, name: T, site: W}]\n"
        f"instruments: [{{code: M, name: M, asset: T, posts_per_minute: {written}}}]\n"
    )
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "fleet.yaml")
    assert "line 3, instruments[0].posts_per_minute" in str(caught.value)
