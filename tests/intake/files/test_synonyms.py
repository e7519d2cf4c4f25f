"""What headers and words are proposed to mean. The words are common vocabulary (no source); those of IEC 61850-7-4,
logical node SIML, are named in app/intake/files/synonyms.yaml with what was read and what is from memory."""

import pytest
import yaml

from app.intake.files.profile import FOLDER
from app.intake.files.synonyms import Meaning, meaning_of, word_means
from app.science.quantities import GASES, NAMES, QUANTITIES


@pytest.mark.parametrize(
    ("header", "role", "unit"),
    [
        ("H2", "h2", None),
        ("H₂ [ppm]", "h2", "ppm"),
        ("Hydrogen (ppm)", "h2", "ppm"),
        ("  hydrogen   µL/L ", "h2", "µL/L"),
        ("Hydrogen μl/l", "h2", "µL/L"),
        ("Wasserstoff H2 (µl/l)", "h2", "µL/L"),
        ("Hydrogène, ppm", "h2", "ppm"),
        ("Hidrógeno", "h2", None),
        ("Äthylen (C2H4)", "c2h4", None),
        ("éthylène", "c2h4", None),
        ("Etileno ppm", "c2h4", "ppm"),
        ("monoxyde de carbone (CO) µL/L", "co", "µL/L"),
        ("Dióxido de carbono, ppm", "co2", "ppm"),
        ("Sauerstoff mL/L", "o2", "mL/L"),
        ("O2 %", "o2", "%"),
        ("Teor de água (mg/kg)", "water", "mg/kg"),
        ("Moisture ppm", "water", "ppm"),
        ("Öltemperatur [°C]", "oil_temperature", "°C"),
        ("Oil temp °F", "oil_temperature", "°F"),
        ("Durchschlagspannung (kV)", "breakdown_voltage", "kV"),
        ("Acid number", "acidity", "mg KOH/g"),
        ("Furfural ppb", "furfural", "ppb"),
        ("H2ppm", "h2", "ppm"),  # data names of SIML from here on
        ("C2H6ppm", "c2h6", "ppm"),
        ("O2ppm", "o2", "ppm"),
        ("Tmp", "oil_temperature", None),
        ("CmbuGas", "ignore", None),
        ("Serial no.", "unit_serial", None),
        ("N° de série", "unit_serial", None),
        ("Fabriknummer", "unit_serial", None),
        ("Drawn on", "date", None),
        ("Fecha de muestreo", "date", None),
        ("Heure", "time", None),
        ("Bemerkung", "remark", None),
        ("Received on", "ignore", None),
    ],
)
def test_a_header_is_proposed_to_be(header: str, role: str, unit: str | None) -> None:
    assert meaning_of(header) == Meaning(role, unit)


@pytest.mark.parametrize(
    "header",
    [
        "",
        "CO2/CO",
        "O2 + N2",
        "Total H2",
        "Sum of hydrocarbons",
        "Limit of C2H2",
        "Colour",
        "Unit",
        "n-Butane",
        "x" * 500,
    ],
)
def test_a_header_that_says_nothing_known_or_two_things_is_left_to_people(header: str) -> None:
    assert meaning_of(header) is None


def test_every_gas_is_known_by_its_formula_and_name_in_five_languages() -> None:
    words = yaml.safe_load((FOLDER.parent / "synonyms.yaml").read_text(encoding="utf-8"))["quantities"]
    assert list(words) == list(NAMES)
    for quantity in QUANTITIES:
        for word in (quantity.label, *words[quantity.name]):
            found = meaning_of(word)
            assert found is not None, word
            assert found.role == quantity.name
    for gas in GASES:
        assert len(words[gas]) >= 4, gas


@pytest.mark.parametrize(
    ("word", "means"),
    [
        ("ND", "not_detected"),
        ("n. d.", "not_detected"),
        ("Spur", "not_detected"),
        ("-", "not_measured"),
        ("N/A", "not_measured"),
        ("entfällt", "not_measured"),
        ("0", None),
        ("siehe Bericht", None),
    ],
)
def test_a_word_in_place_of_a_number_is_proposed_to_mean(word: str, means: str | None) -> None:
    assert word_means(word) == means
