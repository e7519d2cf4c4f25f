"""The fault call: known cases, arithmetic, mixtures, and the calibration that the documentation tells."""

import csv
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from fleet_cast import PROJECT
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from app.science.diagnosis.fault_call import (
    FAULT_CLASSES,
    METHODS,
    combine,
    disagreement,
    fault_probabilities,
    one_hot,
    zone_counts,
    zone_likelihoods,
)
from app.science.diagnosis.pentagons import (
    PENTAGON_1_ZONES,
    PENTAGON_2_ZONES,
    duval_pentagon_1,
    duval_pentagon_2,
)
from app.science.diagnosis.triangles import TRIANGLE_1_ZONES, duval_triangle_1
from app.science.tables import rows

Floats = NDArray[np.float64]
Rows = list[dict[str, str]]

CALIBRATION = PROJECT / "tests" / "calibration"
GOLDEN = Path(__file__).parents[1] / "golden" / "fault_call.csv"
SILENT = np.zeros(7)
NAMED_ALIKE = {
    "PD": {"PD"},
    "D1": {"D1"},
    "D2": {"D2"},
    "T1/T2": {"T1", "T2"},
    "T3": {"T3", "T3-H"},
}


def _read(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def triangle(zone: str) -> Floats:
    return one_hot(TRIANGLE_1_ZONES.index(zone), TRIANGLE_1_ZONES)


def pentagon_1(zone: str) -> Floats:
    return one_hot(PENTAGON_1_ZONES.index(zone), PENTAGON_1_ZONES)


def pentagon_2(zone: str) -> Floats:
    return one_hot(PENTAGON_2_ZONES.index(zone), PENTAGON_2_ZONES)


def chance(probabilities: Floats, fault: str) -> float:
    return float(probabilities[..., FAULT_CLASSES.index(fault)])


def likeliest(probabilities: Floats) -> str:
    return FAULT_CLASSES[int(probabilities.argmax())]


# --- known cases --------------------------------------------------------------------------------------------


def test_known_cases_are_called_by_what_was_found() -> None:
    for row in _read(GOLDEN):
        h2, ch4, c2h6, c2h4, c2h2 = (float(row[g]) for g in ("h2", "ch4", "c2h6", "c2h4", "c2h2"))
        zone = one_hot(duval_triangle_1(ch4, c2h4, c2h2), TRIANGLE_1_ZONES)
        first = one_hot(duval_pentagon_1(h2, c2h6, ch4, c2h4, c2h2), PENTAGON_1_ZONES)
        second = one_hot(duval_pentagon_2(h2, c2h6, ch4, c2h4, c2h2), PENTAGON_2_ZONES)
        assert likeliest(fault_probabilities(zone, first)) == row["expected"], row["clause"]
        assert likeliest(fault_probabilities(zone, pentagon_2=second)) == row["expected"], row["clause"]


def test_agreement_of_the_methods_is_nearly_sure_of_it() -> None:
    for fault in ("D1", "D2"):
        assert chance(fault_probabilities(triangle(fault), pentagon_1(fault)), fault) > 0.8
        assert chance(fault_probabilities(triangle(fault), pentagon_2=pentagon_2(fault)), fault) > 0.8
    assert chance(fault_probabilities(triangle("PD"), pentagon_2=pentagon_2("PD")), "PD") > 0.8
    assert chance(fault_probabilities(triangle("T3"), pentagon_1("T3")), "T3") > 0.8
    assert chance(fault_probabilities(triangle("T3"), pentagon_2=pentagon_2("T3-H")), "T3") > 0.8


def test_agreement_says_more_and_contradiction_less_than_the_triangle_alone() -> None:
    for fault in ("PD", "D1", "D2", "T3"):
        alone = chance(fault_probabilities(triangle(fault), SILENT), fault)
        agreed = chance(fault_probabilities(triangle(fault), pentagon_1(fault)), fault)
        against = chance(
            fault_probabilities(triangle(fault), pentagon_1("T2" if fault != "T3" else "D1")), fault
        )
        assert against < alone < agreed < 1.0


def test_moving_evidence_to_a_zone_moves_the_call_with_it() -> None:
    """From surely T3 to surely D2 in the triangle, D2 gains at every step."""
    steps = np.linspace(0.0, 1.0, 21)[:, None]
    moved = fault_probabilities((1 - steps) * triangle("T3") + steps * triangle("D2"), np.zeros((21, 7)))
    assert (np.diff(moved[:, FAULT_CLASSES.index("D2")]) > 0).all()
    assert (np.diff(moved[:, FAULT_CLASSES.index("T3")]) < 0).all()


def test_dt_alone_favours_no_fault() -> None:
    """Two known cases lay in DT: it must not name one fault by itself."""
    assert fault_probabilities(triangle("DT"), SILENT).max() < 0.5


# --- arithmetic ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pentagon", ["duval_pentagon_1", "duval_pentagon_2"])
def test_all_pairs_of_zones_agree_with_the_formula_worked_by_hand(pentagon: str) -> None:
    """P(zone | fault) = (count + m prior)/(cases + m), multiplied and raised to w, in plain Python from the tables."""
    setting = {
        r["parameter"]: float(r["value"]) for r in rows("fault_call_parameters") if r["pentagon"] == pentagon
    }

    def likelihood(method: str, zone: str, fault: str) -> float:
        found = [r for r in rows("fault_call_counts") if r["method"] == method and r["fault"] == fault]
        here = sum(int(r["cases"]) for r in found if r["zone"] == zone)
        zones = METHODS[method]
        alike = NAMED_ALIKE[fault] & set(zones) or set(zones)
        prior = (1 - setting["own_share"]) / len(zones)
        prior += setting["own_share"] / len(alike) if zone in alike else 0.0
        m = setting["pseudo_cases"]
        return (here + m * prior) / (sum(int(r["cases"]) for r in found) + m)

    for one in TRIANGLE_1_ZONES:
        for other in METHODS[pentagon]:
            product = [
                (likelihood("duval_triangle_1", one, f) * likelihood(pentagon, other, f)) ** setting["power"]
                for f in FAULT_CLASSES
            ]
            rows_given = {
                pentagon.removeprefix("duval_"): one_hot(METHODS[pentagon].index(other), METHODS[pentagon])
            }
            got = fault_probabilities(triangle(one), **rows_given)
            assert np.allclose(got, np.array(product) / sum(product), rtol=1e-12)


def test_a_method_that_does_not_apply_is_left_out() -> None:
    likelihoods = zone_likelihoods(zone_counts("duval_triangle_1"), TRIANGLE_1_ZONES, 1.0, 0.5)
    alone = combine((triangle("T1"),), (likelihoods,), 0.5)
    with_silent = combine((triangle("T1"), SILENT), (likelihoods, likelihoods), 0.5)
    assert np.allclose(alone, likelihoods[:, 1] / likelihoods[:, 1].sum())
    assert np.allclose(with_silent, alone)
    mixed = fault_probabilities(
        np.stack([triangle("D1"), SILENT, triangle("D1"), SILENT]),
        np.stack([SILENT, pentagon_1("D2"), pentagon_1("D2"), SILENT]),
    )
    assert np.allclose(mixed[0], fault_probabilities(triangle("D1"), SILENT))
    assert np.allclose(mixed[1], fault_probabilities(SILENT, pentagon_1("D2")))
    assert np.allclose(mixed[2], fault_probabilities(triangle("D1"), pentagon_1("D2")))
    assert np.isnan(mixed[3]).all()
    with pytest.raises(ValueError, match="at least one method"):
        combine((), (), 0.5)


weights = st.lists(st.floats(0.0, 1.0), min_size=7, max_size=7)


@given(one=weights, other=weights)
def test_probabilities_sum_to_one_and_none_is_certain(one: list[float], other: list[float]) -> None:
    for given_ in ({"pentagon_1": other}, {"pentagon_2": other}):
        found = fault_probabilities(one, **given_)
        mixed = float(disagreement(one, **given_))
        if sum(one) == sum(other) == 0.0:
            assert np.isnan(found).all()
            assert math.isnan(mixed)
        else:
            assert found.sum() == pytest.approx(1.0, abs=1e-12)
            assert (found > 0.0).all()
            assert (found < 1.0).all()
            assert -1e-12 <= mixed <= 1.0 + 1e-12


def test_draws_without_a_zone_leave_the_rest_to_speak() -> None:
    """Zone probabilities that sum to less than 1 (draws with no gas at all) count as if they did."""
    assert np.allclose(
        fault_probabilities(0.6 * triangle("T2"), 0.9 * pentagon_1("T2")),
        fault_probabilities(triangle("T2"), pentagon_1("T2")),
    )


def test_shapes_are_kept() -> None:
    for shape in ((), (0,), (3,), (2, 0), (2, 3)):
        one = np.broadcast_to(triangle("T1"), (*shape, 7))
        assert fault_probabilities(one, one).shape == (*shape, 5)
        assert disagreement(one, one).shape == shape
    assert one_hot(np.array([[0, -1]]), TRIANGLE_1_ZONES).tolist() == [[[1, 0, 0, 0, 0, 0, 0], [0] * 7]]


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ([1.0, 0.0, 0.0], r"must hold the 7 zones PD, T1, T2, T3, DT, D1, D2, but the shape is \(3,\)"),
        (1.0, r"the shape is \(\)"),
        ([-1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], "negative or not a finite number"),
        ([np.nan, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], "negative or not a finite number"),
        ([np.inf, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], "negative or not a finite number"),
    ],
)
def test_bad_rows_are_refused(bad: list[float] | float, words: str) -> None:
    for function in (fault_probabilities, disagreement):
        with pytest.raises(ValueError, match=rf"^duval_triangle_1: .*{words}"):
            function(bad, pentagon_1("D1"))


def test_exactly_one_pentagon_is_asked() -> None:
    for function in (fault_probabilities, disagreement):
        with pytest.raises(ValueError, match="either pentagon_1 or pentagon_2"):
            function(triangle("D1"))
        with pytest.raises(ValueError, match="either pentagon_1 or pentagon_2"):
            function(triangle("D1"), pentagon_1("D1"), pentagon_2=pentagon_2("D1"))


# --- mixtures -----------------------------------------------------------------------------------------------


def test_contradiction_between_the_families_is_told() -> None:
    """IEEE C57.104-2019, D.6-D.7: disagreement of triangle and pentagon suggests a mixture."""
    assert disagreement(triangle("D2"), pentagon_1("T3")) == 1.0
    assert disagreement(triangle("T3"), pentagon_2=pentagon_2("D1")) == 1.0
    assert disagreement(triangle("D1"), pentagon_1("D2")) == 0.0
    assert disagreement(triangle("T1"), pentagon_2=pentagon_2("C")) == 0.0
    assert disagreement(triangle("T1"), pentagon_1("S")) == 0.0  # stray gassing is of no family
    assert disagreement(triangle("D2"), SILENT) == 0.0
    assert disagreement(triangle("DT"), SILENT) == 1.0
    half = (triangle("D2") + triangle("T3")) / 2
    assert disagreement(half, pentagon_1("T3")) == pytest.approx(0.5)


def test_both_pentagons_draw_the_same_line_between_the_families() -> None:
    gases = np.random.default_rng(4).dirichlet((0.5,) * 5, 100_000).T
    h2, ch4, c2h6, c2h4, c2h2 = gases
    zone = one_hot(duval_triangle_1(ch4, c2h4, c2h2), TRIANGLE_1_ZONES)
    first = one_hot(duval_pentagon_1(h2, c2h6, ch4, c2h4, c2h2), PENTAGON_1_ZONES)
    second = one_hot(duval_pentagon_2(h2, c2h6, ch4, c2h4, c2h2), PENTAGON_2_ZONES)
    assert (disagreement(zone, first) == disagreement(zone, pentagon_2=second)).all()


# --- counts and calibration ---------------------------------------------------------------------------------


def test_every_method_saw_the_same_cases() -> None:
    """102 units: 100 of the data set, 2 of the guide's Annex E."""
    for method in METHODS:
        assert zone_counts(method).sum(axis=1).tolist() == [8, 24, 28, 21, 21], method
    assert zone_counts("acetylene").tolist() == [[5, 3], [0, 24], [1, 27], [16, 5], [6, 15]]
    by_source = [
        sum(int(r["cases"]) for r in rows("fault_call_counts") if r["provenance"] == p)
        for p in ("paper", "standard")
    ]
    assert by_source == [100 * (len(METHODS) + 1), 2 * (len(METHODS) + 1)]


def test_what_has_no_acetylene_is_hardly_a_discharge() -> None:
    """Bayes' rule by hand: P(none | fault) = (cases without + 1)/(cases + 2), on what the zones say."""
    zones = (triangle("D1"), pentagon_2("S"))
    before = fault_probabilities(zones[0], pentagon_2=zones[1])
    found = fault_probabilities(zones[0], pentagon_2=zones[1], without_acetylene=True)
    none = np.array([6 / 10, 1 / 26, 2 / 30, 17 / 23, 7 / 23])
    assert np.allclose(found, before * none / (before * none).sum(), rtol=1e-12)
    assert np.array_equal(fault_probabilities(zones[0], pentagon_2=zones[1], without_acetylene=False), before)
    both = fault_probabilities(
        np.stack([zones[0]] * 2), pentagon_2=np.stack([zones[1]] * 2), without_acetylene=[True, False]
    )
    assert np.allclose(both, [found, before])


def test_why_pentagon_2_tells_t3_better() -> None:
    """As the documentation says: T1/T2 in T3 of pentagon 1 and in T3-H of pentagon 2."""
    known = FAULT_CLASSES.index("T1/T2")
    assert zone_counts("duval_pentagon_1")[known, PENTAGON_1_ZONES.index("T3")] == 5
    assert zone_counts("duval_pentagon_2")[known, PENTAGON_2_ZONES.index("T3-H")] == 0


def test_stray_gassing_cases_are_not_known() -> None:
    assert "S" not in {row["fault"] for row in rows("fault_call_counts")}


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(KeyError, match="rogers"):
        zone_counts("rogers_ratios")


@pytest.fixture
def figures() -> dict[tuple[str, str, str], dict[str, str]]:
    table = _read(CALIBRATION / "fault_call_cross_validation.csv")
    return {(r["model"], r["asked_with"], r["figure"]): r for r in table}


def test_the_documentation_tells_the_cross_validation(
    figures: dict[tuple[str, str, str], dict[str, str]],
) -> None:
    section = (PROJECT / "docs/decisions/fault-call.md").read_text(encoding="utf-8")
    asked = "zone probabilities"
    for name, model in (
        ("triangle 1 alone", "duval_triangle_1"),
        ("pentagon 1 alone", "duval_pentagon_1"),
        ("triangle 1 + pentagon 1", "duval_triangle_1 + duval_pentagon_1"),
        ("triangle 1 + pentagon 2", "duval_triangle_1 + duval_pentagon_2"),
        ("chosen in each fold", "chosen in each fold"),
        (
            "triangle 1 + pentagon 2 and acetylene",
            "duval_triangle_1 + duval_pentagon_2 and acetylene",
        ),
    ):
        cells = [name, f"{100 * float(figures[model, asked, 'right']['value']):.1f} %"]
        cells += [f"{float(figures[model, asked, f]['value']):.3f}" for f in ("log_loss", "brier")]
        if model == "duval_triangle_1":
            cells.append("–")
        else:
            gain = figures[model, asked, "log_loss minus triangle 1 alone"]
            cells.append(
                f"{float(gain['value']):+.3f} ± {float(gain['standard_error']):.3f}".replace("-", "−")
            )
        assert f"| {' | '.join(cells)} |" in section
    for low, high in (("0", "0.5"), ("0.5", "0.7"), ("0.7", "0.85"), ("0.85", "0.95"), ("0.95", "1")):
        cells = [f"{low}-{high}"]
        for model in ("duval_triangle_1 + duval_pentagon_1", "duval_triangle_1 + duval_pentagon_2"):
            said = figures[model, asked, f"mean probability {low} to {high}"]
            held = figures[model, asked, f"share right {low} to {high}"]
            cells += [said["cases"], f"{float(said['value']):.2f}", f"{float(held['value']):.2f}"]
        assert f"| {' | '.join(cells)} |" in section
        model = "duval_triangle_1 + duval_pentagon_2 and acetylene"
        said = figures[model, asked, f"mean probability {low} to {high}"]
        held = figures[model, asked, f"share right {low} to {high}"]
        cells = [f"{low}-{high}", said["cases"], f"{float(said['value']):.2f}", f"{float(held['value']):.2f}"]
        assert f"| {' | '.join(cells)} |" in section


def test_the_probabilities_hold_on_cases_not_used(
    figures: dict[tuple[str, str, str], dict[str, str]],
) -> None:
    """In no bin is the share right outside two binomial standard errors of the probability told."""
    checked = 0
    for (model, asked, figure), row in figures.items():
        if figure.startswith("mean probability"):
            held = figures[model, asked, figure.replace("mean probability", "share right")]
            said, cases = float(row["value"]), float(row["cases"])
            assert abs(float(held["value"]) - said) < 2 * math.sqrt(said * (1 - said) / cases), (
                model,
                asked,
                figure,
            )
            checked += 1
    assert checked == 40


def test_the_calibration_can_be_repeated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On an excerpt of the cases, once instead of twenty times: the counts are those of the excerpt."""
    monkeypatch.syspath_prepend(str(CALIBRATION))
    import calibrate_fault_call as calibrate

    monkeypatch.setattr(calibrate, "REPEATS", 1)
    monkeypatch.setattr(calibrate, "POWERS", (1.0,))
    monkeypatch.setattr(calibrate, "OWN_SHARES", (0.5,))
    assert calibrate.main([str(CALIBRATION / "excerpt.csv"), str(tmp_path)]) == 0
    counts = _read(tmp_path / "fault_call_counts.csv")
    assert {tuple(r) for r in counts} == {tuple(r) for r in rows("fault_call_counts")}  # the same columns
    per_fault = {
        f: sum(int(r["cases"]) for r in counts if r["fault"] == f and r["method"] == "duval_triangle_1")
        for f in FAULT_CLASSES
    }
    # 17 rows of the data set; the guide's six samples are of two units, its Normal sample none
    assert per_fault == {"PD": 3, "D1": 3, "D2": 4, "T1/T2": 5, "T3": 4}
    table = _read(tmp_path / "fault_call_cross_validation.csv")
    report = {(r["model"], r["asked_with"], r["figure"]): float(r["value"]) for r in table}
    assert report["duval_triangle_1 + duval_pentagon_2", "zones", "right"] > 0.5


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("source,case_id\nE. Li,1\n", "line 1: no column c2h2, c2h4"),
        (
            "source,case_id,h2,ch4,c2h6,c2h4,c2h2,fault_label\nE. Li,1,1,2,3,x,5,D1\n",
            "line 2: a gas is not a number",
        ),
        (
            "source,case_id,h2,ch4,c2h6,c2h4,c2h2,fault_label\nE. Li,1,1,2,-3,4,5,D1\n",
            "line 2: a gas is negative",
        ),
        (
            "source,case_id,h2,ch4,c2h6,c2h4,c2h2,fault_label\nsomebody,1,1,2,3,4,5,D1\n",
            "not among CITATIONS",
        ),
        ("source,case_id,h2,ch4,c2h6,c2h4,c2h2,fault_label\nE. Li,1,1,2,3\n", "no case with all five gases"),
    ],
)
def test_a_bad_file_of_cases_is_refused(content: str, words: str, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(content, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(CALIBRATION / "calibrate_fault_call.py"), str(bad)],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.startswith("bad.csv")
    assert words in done.stderr
    assert "Traceback" not in done.stderr
