"""A clerk's whole walk in a real browser, at desk and phone width: an unknown file, its mapping, an error mended,
a unit registered, the import, the verdict, a correction by hand, the undoing. Every step quiet, whole and accessible.
"""

import re
import runpy
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import story
from playwright.sync_api import FilePayload, Page, expect

pytestmark = pytest.mark.browser

STAGE = runpy.run_path(str(Path(__file__).with_name("test_browser_pages.py")))
address, browser, watched = STAGE["address"], STAGE["browser"], STAGE["watched"]
violations: Callable[[Page], list[str]] = STAGE["violations"]

DAY = (story.NOW - timedelta(days=2)).strftime("%d.%m.%Y")
HEADER = (
    "Nº de muestra;Número de serie;Punto de muestreo;Fecha de muestreo;Hora;Temperatura del aceite (°C);"
    "Hidrógeno (ppm);Metano (ppm);Etano (ppm);Etileno (ppm);Acetileno (ppm);"
    "Monóxido de carbono (ppm);Dióxido de carbono (ppm);Color"
)


def file(*, hydrogen: str = "410", unit: str) -> FilePayload:
    """A file of a laboratory that nobody knows: three rows of heading, decimal comma, cp1252."""
    lines = (
        "Laboratorio Ferrán",
        "",
        f"Informe del {DAY}",
        HEADER,
        f"F-881;S-BW-T2-417;Cuba;{DAY};09:10;45;28,5;101;99;49;n.d.;471;4660;1,5",
        f"F-882;{unit};Cuba;{DAY};10:25;47;{hydrogen};690;170;1250;12;480;5400;2",
    )
    content = "\r\n".join((*lines, "")).encode("cp1252")
    return {"name": "ferran.csv", "mimeType": "text/csv", "buffer": content}


def check(watched: Any) -> None:
    """Nothing complained, nothing sticks out, nobody is left out."""
    page = watched.page
    page.evaluate("document.querySelectorAll('main details').forEach(folded => { folded.open = true })")
    assert watched.faults == []
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    assert violations(page) == []


def test_from_an_unknown_file_to_the_verdict_and_back(watched: Any) -> None:
    width = watched.page.viewport_size["width"]
    unit, laboratory = f"ZZ-{width}", f"FERRAN-{width}"
    page = watched.open("/upload")

    page.locator("select[name=laboratory]").select_option(label="not listed: map the file’s columns by hand")
    page.set_input_files("input[type=file]", [file(hydrogen="41O", unit=unit)])  # the letter O, not a nought
    page.get_by_role("button", name="Look at it first").click()
    expect(page.get_by_role("heading", name="Map the columns of ferran.csv")).to_be_visible()
    expect(page.get_by_label("What Hidrógeno (ppm) is")).to_have_value("h2")
    expect(page.get_by_label("Decimal mark")).to_have_value(",")
    check(watched)

    page.get_by_role("button", name="Show the rows").click()
    expect(page.get_by_role("alert")).to_contain_text("gas volumes: choose the temperature")
    check(watched)
    page.get_by_label("Gas volumes are reported at").select_option("20")
    page.get_by_label("Cuba is").select_option("main")
    page.get_by_label("What Color is").select_option("ignore")
    page.get_by_label("Detection limit of Acetileno (ppm)").fill("0,5")
    page.get_by_role("button", name="Show the rows").click()
    expect(page.get_by_text("1 sample can be read, 1 problem remains")).to_be_visible()
    expect(page.get_by_role("region", name="Problems")).to_contain_text("'41O': not a number")
    check(watched)

    page.get_by_label("Code of a new one").fill(laboratory)
    page.get_by_label("Its name").fill("Laboratorio Ferrán")
    page.locator("#preview").get_by_label("Your name").fill("R. Oster")
    page.get_by_role("button", name="Save and look").click()
    expect(page.get_by_text(f"The mapping is saved as the profile of {laboratory}.")).to_be_visible()
    expect(page.get_by_role("alert")).to_contain_text("1 problem. Nothing is stored.")
    check(watched)

    # the clerk corrects the cell and looks again; the new laboratory is chosen already
    page.set_input_files("input[type=file]", [file(unit=unit)])
    expect(page.locator("select[name=laboratory]")).to_have_value(laboratory)
    expect(page.locator("#preview h2")).to_have_count(0)
    page.get_by_role("button", name="Look at it first").click()
    expect(page.get_by_role("heading", name="1 unit of the file is not known")).to_be_visible()
    check(watched)

    page.get_by_label("It is").select_option("?new")
    page.get_by_label("Code").fill(f"SP-{width}")
    page.get_by_label("Name", exact=True).fill("Sandry spare transformer")
    page.get_by_label("Site").select_option("sandry")
    page.get_by_role("button", name="Look again").click()
    expect(page.get_by_text(f"Registered: SP-{width}.")).to_be_visible()
    means = page.get_by_role("region", name="What it means for the units")
    expect(means.get_by_role("row").filter(has_text=f"SP-{width}")).to_contain_text("3 high")
    check(watched)

    page.locator("#preview").get_by_label("Your name").fill("R. Oster")
    page.get_by_role("button", name="Import 2 rows").click()
    expect(page.get_by_role("status")).to_contain_text("Imported by R. Oster")
    expect(means.get_by_role("link", name="Gassing").last).to_have_attribute(
        "href", re.compile(r"^/alerts/\d+$")
    )
    check(watched)
    file_page = page.get_by_role("link", name="The file, to look it up or undo it").get_attribute("href")

    page.get_by_role("link", name=f"SP-{width}").first.click()
    expect(page.get_by_role("heading", level=2).first).to_contain_text("3 high")
    check_verdict(watched, page)

    page.get_by_role("link", name=re.compile(r"^\d{4}-\d\d-\d\d ")).first.click()
    page.get_by_text("Correct what it says").click()
    page.get_by_label("Hydrogen (µL/L)").fill("41")
    form = page.locator("form[action$='/edit']")
    form.get_by_label("Your name").fill("R. Oster")
    form.get_by_label("Reason").fill("a nought too many in the report")
    page.get_by_role("button", name="Correct", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("Corrected")
    expect(page.get_by_role("region", name="History of the sample")).to_contain_text("→ 41 µL/L")
    check(watched)

    page.goto(watched.address + str(file_page))
    page.get_by_label("Reason").fill("sent by mistake")
    page.get_by_label("Your name").fill("R. Oster")
    page.get_by_role("button", name="Undo the file").click()
    expect(page.get_by_role("status")).to_contain_text("Undone: 3 samples excluded")
    check(watched)
    page.goto(f"{watched.address}/assets/SP-{width}")
    expect(page.get_by_text("No sample of this compartment yet")).to_be_visible()
    page.goto(f"{watched.address}/files")
    check(watched)


def check_verdict(watched: Any, page: Page) -> None:
    page.wait_for_selector("html[data-charts=drawn]", timeout=30_000)
    check(watched)
