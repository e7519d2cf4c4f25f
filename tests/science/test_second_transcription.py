"""Every published table a second time, read again from its source and written in another form.

A slip of the pen in a data file would have to be made twice to stay unseen. IEEE C57.104-2019's four tables stand in
``test_tables.py``; here are the others. Sources: IEEE C57.104-2019 (Tables 5, 6, D.2-D.4, G.1-G.3, D.5, Annex F),
the 2008 edition's Table 1 and actions (thesis, Universitas Indonesia, 2008), IEC 60599 (secondary and from memory),
University of Stuttgart (older codes), DiGiorgio 2005 (solubility), C57.106-2006 and IEC 60422:2013 (from memory).
"""

import pytest

from app.science.tables import rows

GASES_2008 = ["h2", "ch4", "c2h2", "c2h4", "c2h6", "co", "co2", "tdcg"]


def by(table: str, *keys: str, value: str) -> dict[tuple[str, ...], str]:
    """One column of a table by some others."""
    return {tuple(row[k] for k in keys): row[value] for row in rows(table)}


def test_conditions_of_2008() -> None:
    printed = {
        "1": (100, 120, 1, 50, 65, 350, 2500, 720),
        "2": (700, 400, 9, 100, 100, 570, 4000, 1920),
        "3": (1800, 1000, 35, 200, 150, 1400, 10000, 4630),
    }
    expected = {
        (gas, condition): float(value)
        for condition, line in printed.items()
        for gas, value in zip(GASES_2008, line, strict=True)
    }
    found = by("ieee_c57_104_2008", "quantity", "condition", value="highest")
    assert {k: float(v) for k, v in found.items()} == expected


def test_sampling_by_condition_and_rate_of_tdcg() -> None:
    printed = {
        "1": "yearly quarterly monthly",
        "2": "quarterly monthly monthly",
        "3": "monthly weekly weekly",
        "4": "weekly daily daily",
    }
    for condition, line in printed.items():
        found = [r for r in rows("ieee_c57_104_2008_actions") if r["condition"] == condition]
        assert " ".join(r["sampling"] for r in found) == line
        assert [(r["rate_from"], r["rate_to"]) for r in found] == [("0", "10"), ("10", "30"), ("30", "")]


def test_sampling_by_gas_in_the_blanket() -> None:
    printed = {  # rates above 0.03, 0.01 to 0.03, below 0.01 %/day
        "4": ("5", "daily daily weekly"),
        "3": ("2", "weekly weekly monthly"),
        "2": ("0.5", "monthly monthly quarterly"),
        "1": ("0", "monthly quarterly yearly"),
    }
    for condition, (level, line) in printed.items():
        found = [r for r in rows("ieee_c57_104_2008_blanket") if r["condition"] == condition]
        assert {r["level_from"] for r in found} == {level}
        fastest_first = sorted(found, key=lambda r: -float(r["rate_from"]))
        assert " ".join(r["sampling"] for r in fastest_first) == line
        assert [r["rate_from"] for r in fastest_first] == ["0.03", "0.01", "0"]


RATIO_TABLES = {
    "rogers_ratios": (
        "c2h2/c2h4 ch4/h2 c2h4/c2h6",
        {
            "0": "<0.1 0.1-1.0 <1.0",
            "1": "<0.1 <0.1 <1.0",
            "2": "0.1-3.0 0.1-1.0 >3.0",
            "3": "<0.1 0.1-1.0 1.0-3.0",
            "4": "<0.1 >1.0 1.0-3.0",
            "5": "<0.1 >1.0 >3.0",
        },
    ),
    "iec_60599_ratios": (
        "c2h2/c2h4 ch4/h2 c2h4/c2h6",
        {
            "PD": "NS <0.1 <0.2",
            "D1": ">1 0.1-0.5 >1",
            "D2": "0.6-2.5 0.1-1 >2",
            "T1": "NS NS <1",
            "T2": "<0.1 >1 1-4",
            "T3": "<0.2 >1 >4",
        },
    ),
}


def bounds(printed: str) -> tuple[float | None, float | None]:
    """Low and high end of a printed interval; None for none."""
    if printed == "NS":
        return None, None
    if printed[0] in "<>":
        number = float(printed[1:])
        return (None, number) if printed[0] == "<" else (number, None)
    low, high = printed.split("-")
    return float(low), float(high)


def ends(row: dict[str, str]) -> tuple[float | None, float | None]:
    return float(row["low"]) if row["low"] else None, float(row["high"]) if row["high"] else None


@pytest.mark.parametrize("table", sorted(RATIO_TABLES))
def test_ratio_tables(table: str) -> None:
    ratios, lines = RATIO_TABLES[table]
    expected = {
        (case, ratio): bounds(printed)
        for case, line in lines.items()
        for ratio, printed in zip(ratios.split(), line.split(), strict=True)
    }
    assert {(r["case"], r["ratio"]): ends(r) for r in rows(table)} == expected


def test_doernenburg() -> None:
    ratios = ["ch4/h2", "c2h2/c2h4", "c2h2/ch4", "c2h6/c2h2"]
    printed = {
        ("oil", "thermal"): ">1.0 <0.75 <0.3 >0.4",
        ("gas space", "thermal"): ">0.1 <1.0 <0.1 >0.2",
        ("oil", "corona"): "<0.1 NS <0.3 >0.4",
        ("gas space", "corona"): "<0.01 NS <0.1 >0.2",
        ("oil", "arcing"): "0.1-1.0 >0.75 >0.3 <0.4",
        ("gas space", "arcing"): "0.01-0.1 >1.0 >0.1 <0.2",
    }
    expected = {
        (*key, ratio): bounds(text)
        for key, line in printed.items()
        for ratio, text in zip(ratios, line.split(), strict=True)
    }
    assert {(r["space"], r["case"], r["ratio"]): ends(r) for r in rows("doernenburg_ratios")} == expected
    limits = {"h2": 100, "ch4": 120, "co": 350, "c2h2": 1, "c2h4": 50, "c2h6": 65}
    assert {r["quantity"]: float(r["limit"]) for r in rows("doernenburg_l1")} == limits


def test_shares_and_coefficients() -> None:
    key_gas = {
        ("arcing", "h2"): 60,
        ("arcing", "c2h2"): 30,
        ("corona", "h2"): 85,
        ("corona", "ch4"): 13,
        ("overheated oil", "c2h4"): 63,
        ("overheated oil", "c2h6"): 20,
        ("overheated cellulose", "co"): 92,
    }
    assert {k: float(v) for k, v in by("key_gas", "case", "quantity", value="share").items()} == key_gas
    nei = {k: float(v) for k, v in by("nei", "index", "quantity", value="coefficient").items()}
    assert [nei["oil", g] for g in ("ch4", "c2h6", "c2h4", "c2h2")] == [77.7, 93.5, 104.1, 278.3]
    assert [nei["paper", g] for g in ("co", "co2")] == [101.4, 30.2]


def test_solubility() -> None:
    gases = ["h2", "n2", "o2", "co", "co2", "ch4", "c2h6", "c2h4", "c2h2"]
    printed = {
        "ieee_c57_104_2019_25c": (0.0429, 0.0745, 0.138, 0.102, 0.900, 0.337, 1.99, 1.35, 0.938),
    }
    found = {k: float(v) for k, v in by("ostwald", "set", "quantity", value="coefficient").items()}
    for name, line in printed.items():
        assert [found[name, gas] for gas in gases] == list(line)
    by_temperature = {
        (r["source"], r["temperature_c"], r["quantity"]): float(r["coefficient"]) for r in rows("ostwald")
    }
    for temperature, line in {
        "20": (0.05, 0.09, 0.17, 0.12, 1.08, 0.43, 2.40, 1.70, 1.20),
        "50": (0.05, 0.09, 0.17, 0.12, 1.00, 0.40, 1.80, 1.40, 0.90),
    }.items():
        assert [by_temperature["IEC 60599", temperature, gas] for gas in gases] == list(line)
    volumes = {r["quantity"]: float(r["percent_by_volume"]) for r in rows("gas_solubility")}
    assert [volumes[gas] for gas in gases] == [7, 8.6, 16, 9, 120, 30, 280, 280, 400]
    water = {(float(r["a"]), float(r["b"])) for r in rows("water_solubility") if r["liquid"] == "mineral_oil"}
    assert water == {(7.0895, 1567.0), (7.42, 1670.0), (7.30, 1630.0)}
    esters = {r["liquid"]: (float(r["a"]), float(r["b"])) for r in rows("water_solubility")}
    assert esters["natural_ester"] == (5.3318, 684.0)
    assert esters["synthetic_ester"] == (5.2781, 629.5)


def test_typical_ranges_of_iec_60599() -> None:
    gases = (
        "h2 any",
        "ch4 any",
        "c2h6 any",
        "c2h4 any",
        "c2h2 no",
        "c2h2 communicating",
        "co any",
        "co2 any",
    )
    printed = {
        "concentration": "50-150 30-130 20-90 60-280 2-20 60-280 400-600 3800-14000",
        "rate": "35-132 10-120 5-90 32-146 0-4 21-37 260-1060 1700-10000",
    }
    expected = {
        (kind, *gas.split()): text
        for kind, line in printed.items()
        for gas, text in zip(gases, line.split(), strict=True)
    }
    found = rows("iec_60599_typical")
    assert {
        (r["kind"], r["quantity"], r["tap_changer"]): f"{r['lowest']}-{r['highest']}" for r in found
    } == expected


def test_detection_limits() -> None:
    names = ["h2", "ch4", "c2h6", "c2h4", "c2h2", "co", "co2", "o2", "n2"]
    found = {k: float(v) for k, v in by("detection_limits", "service", "quantity", value="limit").items()}
    assert [found["in service", n] for n in names] == [5, 1, 1, 1, 1, 25, 25, 500, 2000]
    assert [found["factory", n] for n in names] == [2, 0.1, 0.1, 0.1, 0.1, 5, 10, 500, 2000]


def test_triangle_1_limits() -> None:
    """Table 6, by ethylene and acetylene: zone, %C2H4 from-to, %C2H2 from-to."""
    printed = {
        "T2 20-50 -4",
        "T3 50- -15",
        "DT -50 4-13",
        "DT 40-50 13-29",
        "DT 50- 15-29",
        "D1 -23 13-",
        "D2 23- 29-",
        "D2 23-40 13-29",
        "T1 -20 -4",
        "PD - -",
    }
    found = rows("duval_triangle_1_limits")
    assert {
        f"{r['zone']} {r['c2h4_from']}-{r['c2h4_to']} {r['c2h2_from']}-{r['c2h2_to']}" for r in found
    } == printed
    methane = {r["zone"]: (r["ch4_from"], r["ch4_to"]) for r in found if r["ch4_from"] or r["ch4_to"]}
    assert methane == {"PD": ("98", ""), "T1": ("", "98")}


PENTAGON_1 = {
    "PD": "0,33 -1,33 -1,24.5 0,24.5",
    "D1": "0,40 38,12.4 32,-6.1 4,16 0,1.5",
    "D2": "4,16 32,-6.1 24.3,-30 0,-3 0,1.5",
    "T3": "0,-3 24.3,-30 23.5,-32.4 1,-32.4 -6,-4",
    "T2": "-6,-4 1,-32.4 -22.5,-32.4",
    "T1": "-6,-4 -22.5,-32.4 -23.5,-32.4 -35,3.1 0,1.5 0,-3",
    "S": "0,1.5 -35,3.1 -38,12.4 0,40 0,33 -1,33 -1,24.5 0,24.5",
}
PENTAGON_2 = {
    **{zone: PENTAGON_1[zone] for zone in ("PD", "D1", "D2", "S")},
    "T3-H": "0,-3 24.3,-30 23.5,-32.4 2.5,-32.4 -3.5,-3",
    "C": "-3.5,-3 2.5,-32.4 -21.5,-32.4 -11,-8",
    "O": "-3.5,-3 -11,-8 -21.5,-32.4 -23.5,-32.4 -35,3.1 0,1.5 0,-3",
}


@pytest.mark.parametrize(
    ("table", "printed"), [("duval_pentagon_1", PENTAGON_1), ("duval_pentagon_2", PENTAGON_2)]
)
def test_pentagon_corners(table: str, printed: dict[str, str]) -> None:
    """As printed, but with (1, -32.4) and (-35, 3.1) throughout, so that neighbours share their corners."""
    for zone, corners in printed.items():
        expected = {tuple(float(x) for x in corner.split(",")) for corner in corners.split()}
        found = {(float(r["x"]), float(r["y"])) for r in rows(table) if r["zone"] == zone}
        assert {(x, y) for x, y in found if (x, y) != (38.0, 12.0)} >= {
            e for e in expected if e != (38.0, 12.4)
        }, zone
        assert len(found) == len(expected), zone


def test_oil_quality_by_voltage_class() -> None:
    found = {
        (r["standard"], r["quantity"], r["kv_from"], r["kind"]): float(r["limit"])
        for r in rows("oil_quality")
    }
    standard = "ieee_c57_106_2006"
    for quantity, kind, line in (
        ("breakdown_voltage", "lowest", (40, 47, 50)),
        ("acidity", "highest", (0.20, 0.15, 0.10)),
        ("interfacial_tension", "lowest", (25, 30, 32)),
        ("water", "highest", (35, 25, 20)),
    ):
        assert [found[standard, quantity, kv, kind] for kv in ("", "69", "230")] == list(line)
    fair = [found["iec_60422_2013", "breakdown_voltage", kv, "fair_below"] for kv in ("", "72.5", "170")]
    poor = [found["iec_60422_2013", "breakdown_voltage", kv, "lowest"] for kv in ("", "72.5", "170")]
    assert (fair, poor) == ([40, 50, 60], [30, 40, 50])
    assert found["usbr", "breakdown_voltage", "", "lowest"] == 25
    assert found["usbr", "breakdown_voltage", "287.5", "lowest"] == 30
    assert found["tm_5_684", "breakdown_voltage", "", "lowest"] == 22
    assert found["tm_5_684", "acidity", "", "highest"] == 0.4


def test_moisture_coefficients() -> None:
    found = {k: float(v) for k, v in by("moisture_models", "model", "coefficient", value="value").items()}
    assert [found["fessler", c] for c in ("scale", "exponent", "temperature")] == [2.173e-7, 0.6685, 4725.6]
    bubble = ("numerator", "constant", "water", "gas_exponent", "gas_power", "gas_divisor")
    assert [found["bubble", c] for c in bubble] == [6996.7, 22.454, 1.4495, 0.473, 1.585, 30]


def test_older_codes() -> None:
    digits = [(r["c2h2/c2h4"], r["ch4/h2"], r["c2h4/c2h6"]) for r in rows("iec_599_digits")]
    assert digits == [("0", "1", "0"), ("1", "0", "0"), ("1", "2", "1"), ("2", "2", "2")]
