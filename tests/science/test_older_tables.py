"""Typical values, the code of the first IEC 599, the CIGRE scheme, and which triangle when."""

import numpy as np
import pytest

from app.science.diagnosis.codes import CIGRE_SIGNS, IEC_599_CODES, cigre_signs, iec_599_code
from app.science.diagnosis.triangles import TRIANGLE_4_AFTER, TRIANGLE_5_AFTER
from app.science.norms.limits import beyond, limit
from app.science.tables import TableError, rows


def test_typical_values_are_marked_as_from_memory() -> None:
    """IEC 60599:2015 Tables A.2 and A.3 were not seen: they may never pass for a standard's text."""
    assert {row["provenance"] for row in rows("iec_60599_typical")} == {"from memory"}
    assert len(rows("iec_60599_typical")) == 16


# University of Stuttgart, IEH, Rogers code: digits of C2H2/C2H4, CH4/H2, C2H4/C2H6
@pytest.mark.parametrize(
    ("ratios", "digits", "fault"),
    [
        ((0.05, 0.5, 0.5), (0, 0, 0), "no fault"),
        ((0.05, 0.05, 0.5), (0, 1, 0), "partial discharge of low energy"),
        ((0.5, 0.05, 0.5), (1, 1, 0), "partial discharge of high energy"),
        ((0.5, 0.5, 2.0), (1, 0, 1), "low-energy discharge"),
        ((5.0, 0.5, 5.0), (2, 0, 2), "low-energy discharge"),
        ((0.5, 0.5, 5.0), (1, 0, 2), "high-energy discharge"),
        ((0.05, 0.5, 2.0), (0, 0, 1), "thermal below 150 °C"),
        ((0.05, 2.0, 0.5), (0, 2, 0), "thermal 150-300 °C"),
        ((0.05, 2.0, 2.0), (0, 2, 1), "thermal 300-700 °C"),
        ((0.05, 5.0, 5.0), (0, 2, 2), "thermal above 700 °C"),
        ((5.0, 5.0, 5.0), (2, 2, 2), None),
    ],
)
def test_code_of_the_first_iec_599(
    ratios: tuple[float, float, float], digits: tuple[int, int, int], fault: str | None
) -> None:
    acetylene, methane, ethylene = ratios
    c2h6 = 100.0
    c2h4 = ethylene * c2h6
    found = iec_599_code(100.0, methane * 100.0, c2h6, c2h4, acetylene * c2h4)
    assert tuple(found.digits) == digits
    assert (IEC_599_CODES[int(found.fault)] if found.fault >= 0 else None) == fault


def test_code_without_a_ratio() -> None:
    found = iec_599_code(0.0, 0.0, 10.0, 10.0, 10.0)
    assert found.digits.tolist() == [1, -1, 0]  # 1 ends the band "0.1-1"
    assert int(found.fault) == -1


@pytest.mark.parametrize(
    ("gases", "expected"),
    [
        ((100, 50, 10, 20, 30, 100, 500), {"discharge"}),
        ((100, 50, 10, 20, 20, 100, 500), set()),
        ((2000, 100, 50, 10, 0, 100, 500), {"partial discharge"}),
        ((100, 300, 100, 200, 0, 100, 500), {"thermal"}),
        ((10, 10, 10, 5, 0, 500, 10000), {"cellulose"}),
        ((10, 10, 10, 5, 0, 4000, 8000), {"cellulose"}),
        ((10, 10, 10, 5, 0, 2000, 10000), set()),
    ],
)
def test_cigre_scheme(gases: tuple[float, ...], expected: set[str]) -> None:
    """University of Stuttgart, IEH, pages on the CIGRE scheme."""
    h2, ch4, c2h6, c2h4, c2h2, co, co2 = gases
    held = cigre_signs(h2, ch4, c2h6, c2h4, c2h2, co, co2)
    assert {s for s, h in zip(CIGRE_SIGNS, held, strict=True) if h} == expected


def test_which_triangle_when() -> None:
    """IEEE C57.104-2019, D.4: 4 after PD, T1, T2; 5 after T2, T3; neither after D1, D2 (nor DT, not mentioned)."""
    assert set(TRIANGLE_4_AFTER) == {"PD", "T1", "T2"}
    assert set(TRIANGLE_5_AFTER) == {"T2", "T3"}


def test_single_limits_cite_their_source() -> None:
    found = limit("tap_changer_gas")
    assert (found.value, found.source, found.provenance) == (3.0, "IEEE C57.104-2019, D.9.2", "standard")
    assert beyond("tap_changer_gas", [2.9, 3.0, 3.1, np.nan]).tolist() == [False, False, True, False]
    assert beyond("paper_carbonized", [2.9, 3.0, np.nan]).tolist() == [True, False, False]
    with pytest.raises(TableError, match="single limits has 'x'"):
        limit("x")
    with pytest.raises(TableError, match="usual value"):
        beyond("paper_normal", 7.0)
