"""Lines of what is wrong in a YAML file, and files that refer to themselves."""

import pytest

from app.intake.registering.fleet_file import FleetFileError, parse_fleet

SITES = "sites:\n  - {code: N, name: North, time_zone: UTC}\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("sites:\n  - code: N\n    name: North\n    time_zone:\n      Mars\n", "line 5, sites[0].time_zone: 'Mars'"),
        ("sites:\n  - code: N\n    name: North\n    tine_zone:\n      UTC\n", "line 4, sites[0].tine_zone: is not"),
        ("sites:\n  - code: N\n    name:\n    time_zone: UTC\n", "line 3, sites[0].name: is missing"),
        ("sites:\n  - code: N\n\n    time_zone: UTC\n", "line 2, sites[0].name: is missing"),
        ("sites:\n  - {code: N, name: a,\n     name: b, time_zone: UTC}\n", "line 3, sites[0].name: stands twice"),
        (f"{SITES}sites:\n", "line 3, sites: stands twice"),
        ("sites:\n  - {code: N, ? [name] : a}\n", "line 2, sites[0]: has a list or a mapping for a key"),
        (f"{SITES}contacts:\n  - code: c\n    name: c\n    email: c@d\n    sites:\n      - N\n      - M\n",
         "line 9, contacts[0].sites[1]: this file defines no site 'M'"),
        (f"{SITES}contacts:\n  - code: c\n    name: c\n    email: c@d\n    sites:\n      - N\n      - N\n",
         "line 9, contacts[0].sites[1]: 'N' stands twice"),
        (f"{SITES}contacts: [{{code: c, name: c, email: c@d, sites: [~]}}]\n", "contacts[0].sites[0]: null is not a"),
        ("sites:\n  - &a {code: N, name: a, time_zone: *a}\n", "line 2, sites[0].time_zone: must be a single value"),
        ("sites:\n  - &s {code: N, name: a, time_zone: UTC}\n  - *s\n", "line 2, sites[1].code: the site 'N' is"),
        ("actions:\n  - {urgency: watch, order: 1, text: a, days:}\n", "line 2, actions[0].days: is missing"),
        ("actions:\n"
         "  - {urgency: watch, order: 1, text: a, days: 1}\n"
         "  - {urgency: watch, order: +1, text: b, days: 1}\n",
         "line 3, actions[1].order: the action 'watch 1' is defined twice"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_its_line(text: str, told: str) -> None:
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    assert any(told in str(problem) for problem in caught.value.problems), str(caught.value)


def test_a_fault_brings_no_others_with_it() -> None:
    """An entry with a fault still defines its code, and what is no list is not told to hold something twice."""
    text = (
        "sites: [{code: N, name: [a, a], time_zone: Mars}]\n"
        "assets: [{code: A, name: a, site: N, rated_kv: much}]\n"
        "instruments: [{code: M, name: m, asset: A}, {code: K, name: k, asset: ''}]\n"
    )
    with pytest.raises(FleetFileError) as caught:
        parse_fleet(text, "f")
    assert [(p.line, p.field) for p in caught.value.problems] == [
        (1, "sites[0].name"),
        (1, "sites[0].time_zone"),
        (2, "assets[0].rated_kv"),
        (3, "instruments[1].asset"),
    ]


def test_a_contact_of_a_file_may_have_any_number_of_sites() -> None:
    codes = [f"S{i}" for i in range(1200)]
    sites = "".join(f"  - {{code: {code}, name: x, time_zone: UTC}}\n" for code in codes)
    text = f"sites:\n{sites}contacts: [{{code: c, name: c, email: c@d, sites: [{', '.join(codes)}]}}]\n"
    assert parse_fleet(text, "f").contacts[0].sites == tuple(codes)
