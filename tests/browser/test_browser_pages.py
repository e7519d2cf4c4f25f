"""Every page in a real browser at desk and phone width: quiet console, nothing cut off, drawn, accessible."""

import os
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import story
import uvicorn
from playwright.sync_api import Browser, FilePayload, Page, sync_playwright

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app

pytestmark = pytest.mark.browser

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
PAGES = (
    "/",
    "/?status=3",
    "/?q=nothing+at+all",
    "/assets/BW-T1",
    "/assets/BW-T1?compartment=tap",
    "/assets/BW-T2",
    "/assets/SP-T7",
    "/assets/SP-T9",
    "/assets/SP-R2",
    "/alerts",
    "/alerts?state=normal",
    "/alerts/1",
    "/alerts/5",
    "/alerts/6",
    "/instruments",
    "/instruments?site=sandry&state=silent",
    "/instruments?state=maintenance",
    "/instruments/mon-bw-t1",
    "/instruments/mon-sp-r2",
    "/upload",
    "/mail",
    "/mail/1",
    "/about/norms",
    "/help",
    "/help/verdict",
    "/help/connect-an-instrument",
    "/help/settings",
    "/help/words",
    "/help/analysis",
    "/help/search",
    "/help/search?q=own+limits",
    "/help/search?q=nothing+at+allx",
)
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def address(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The server's address; it runs in a thread until the tests of a module are over."""
    path = tmp_path_factory.mktemp("browser") / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    story.tell(database)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = uvicorn.Config(
        create_app(load_settings({}), database, story.clock),
        host="127.0.0.1",
        port=port,
        log_level="warning",
        lifespan="off",
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(10)
    database.dispose()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, headless."""
    chromium = shutil.which("chromium")
    if chromium is None:
        message = "Chromium is not installed; on Debian: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        yield found
        found.close()


def violations(page: Page) -> list[str]:
    """What axe-core finds wrong with the page as it stands."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("(rules) => axe.run(document, {runOnly: rules, iframes: false})", RULES)
    assert len(found["passes"]) > 10
    return [
        f"{v['impact']} {v['id']}: {v['help']}: {n['html'][:160]}"
        for v in found["violations"]
        for n in v["nodes"]
    ]


class Watched:
    """A page and everything that went wrong on it."""

    def __init__(self, page: Page, address: str) -> None:
        self.page = page
        self.address = address
        self.faults: list[str] = []
        page.on("console", lambda m: self._note(m.text) if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: self._note(str(error)))
        page.on("requestfailed", lambda request: self._note(f"failed: {request.url}"))
        page.on("response", lambda r: self._note(f"{r.status}: {r.url}") if r.status >= 400 else None)
        page.on(
            "request", lambda r: None if r.url.startswith((address, "data:", "blob:")) else self._note(r.url)
        )

    def _note(self, text: str) -> None:
        self.faults.append(text)

    def open(self, path: str) -> Page:
        self.page.goto(self.address + path)
        if self.page.locator("[data-trends]").count():
            self.page.wait_for_selector("html[data-charts=drawn]", timeout=30_000)
        return self.page


@pytest.fixture(params=[1440, 390], ids=["desk", "phone"])
def watched(browser: Browser, address: str, request: pytest.FixtureRequest) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": request.param, "height": 900})
    yield Watched(context.new_page(), address)
    context.close()


@pytest.fixture
def desk(browser: Browser, address: str) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    yield Watched(context.new_page(), address)
    context.close()


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_quiet_whole_and_accessible(watched: Watched, path: str) -> None:
    page = watched.open(path)
    assert watched.faults == []
    assert page.get_by_text("could not be drawn").count() == 0
    width = page.viewport_size["width"] if page.viewport_size else 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.evaluate("document.querySelectorAll('main details').forEach(folded => { folded.open = true })")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_charts_are_drawn_with_points_norms_and_zones(watched: Watched) -> None:
    page = watched.open("/assets/BW-T1")
    panels = page.locator("[data-panels] figure")
    assert panels.count() >= 7
    acetylene = panels.filter(has_text="acetylene")
    assert acetylene.locator("svg .scatterlayer .point").count() >= 4
    assert acetylene.locator("svg .shapelayer path").count() >= 2
    assert "Table 2: 7" in acetylene.inner_text()
    triangle = page.locator("[data-diagram=duval_triangle_1]")
    assert triangle.locator("svg .scatterlayer .point").count() >= 4
    assert triangle.locator("svg path.js-fill").count() == 7
    assert page.locator("[data-diagram=duval_pentagon_1] svg .scatterlayer .point").count() >= 4


def test_the_pointer_says_value_limit_and_time(desk: Watched) -> None:
    page = desk.open("/assets/BW-T1")
    page.get_by_role("button", name="all", exact=True).click()
    acetylene = page.locator("[data-panels] figure").filter(has_text="acetylene")
    points = acetylene.locator("svg .point")
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-panels] figure')].some(f =>"
        " f.textContent.includes('acetylene') && f.querySelectorAll('svg .point').length === 8)"
    )
    acetylene.scroll_into_view_if_needed()
    # the newest sample lies within a pixel of the monitor's readings: which of the two is nearer hangs on the layout
    for point, value in ((points.first, "C₂H₂ < 0.5 µL/L"), (points.nth(3), "C₂H₂ 0.8 µL/L")):
        place = point.bounding_box()
        assert place is not None
        page.mouse.move(place["x"] + place["width"] / 2, place["y"] + place["height"] / 2)
        said = acetylene.locator(".hoverlayer .hovertext")
        said.filter(has_text=value).wait_for()
        assert "laboratory" in (said.text_content() or "")
    assert desk.faults == []


def test_no_chart_offers_to_send_data_anywhere(desk: Watched) -> None:
    page = desk.open("/assets/BW-T1")
    titles = page.locator(".modebar-btn").evaluate_all("all => all.map(e => e.dataset.title ?? '')")
    assert titles
    assert not [t for t in titles if "cloud" in t.lower() or "edit" in t.lower() or "plotly" in t.lower()]


def test_range_and_scale_can_be_switched_by_keyboard(desk: Watched) -> None:
    page = desk.open("/assets/BW-T1")
    tools = page.locator(".tools")
    points = page.locator("[data-panels] figure").filter(has_text="methane").locator("svg .point")
    assert points.count() == 4  # laboratory samples of the last year
    button = tools.get_by_role("button", name="all")
    button.focus()
    page.keyboard.press("Enter")
    page.wait_for_function(
        "() => [...document.querySelectorAll('[data-panels] figure')].some(f =>"
        " f.textContent.includes('methane') && f.querySelectorAll('svg .point').length === 8)"
    )
    assert button.get_attribute("aria-pressed") == "true"
    log = tools.get_by_role("button", name="logarithmic")
    log.press("Enter")
    assert log.get_attribute("aria-pressed") == "true"
    page.wait_for_function(
        "() => document.querySelector('[data-panels] .plot')._fullLayout.yaxis.type === 'log'"
    )
    assert desk.faults == []


def test_typing_narrows_the_fleet_without_a_reload(desk: Watched) -> None:
    page = desk.open("/")
    page.evaluate("window.same = true")
    page.get_by_label("Search").press_sequentially("rectifier", delay=10)
    page.wait_for_function("() => document.querySelectorAll('#fleet-list tbody tr').length === 1")
    assert page.evaluate("window.same") is True
    assert "q=rectifier" in page.url
    assert desk.faults == []


def test_the_tables_tell_all_without_scripts(browser: Browser, address: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{address}/assets/BW-T1")
    assert page.get_by_text("the same numbers are in the").is_visible()
    assert page.locator(".history tbody tr").count() >= 8
    assert page.locator(".gases").first.locator("tbody tr").count() == 7
    page.goto(f"{address}/?q=rectifier")
    assert page.locator("#fleet-list tbody tr").count() == 1
    context.close()


def test_the_first_tab_stop_skips_to_the_content(desk: Watched) -> None:
    page = desk.open("/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_a_name_typed_once_is_offered_again(desk: Watched) -> None:
    page = desk.open("/alerts/3")
    page.locator("form[action$=acknowledge] [name=author]").fill("R. Oster")
    page.get_by_role("button", name="Acknowledge").click()
    page.wait_for_selector("text=Acknowledged.")
    assert page.locator("form[action$=shelve] [name=author]").input_value() == "R. Oster"
    assert desk.faults == []


def test_a_mail_is_drawn_in_its_frame_without_scripts(desk: Watched) -> None:
    page = desk.open("/mail/1")
    frame = page.frame_locator("iframe")
    assert frame.get_by_role("heading").inner_text().startswith("[Ullage] BW-T1")
    assert desk.faults == []


def test_printing_unfolds_what_is_folded(desk: Watched) -> None:
    page = desk.open("/assets/BW-T1")
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("main details:not([open])").count() == 0
    assert not page.locator(".top nav").is_visible()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("main details:not([open])").count() > 0


def test_a_file_is_looked_at_and_then_imported_without_choosing_it_again(watched: Watched) -> None:
    drawn = (story.NOW - timedelta(days=3)).strftime("%d.%m.%Y")
    row = story.GOOD_ROW.format(day=drawn, number="90")
    file: FilePayload = {"name": "week.csv", "mimeType": "text/csv", "buffer": story.laboratory_file(row)}
    page = watched.open("/upload")
    page.set_input_files("input[type=file]", [file])
    page.get_by_role("button", name="Look at it first").click()
    page.get_by_label("Your name").fill("R. Oster")
    page.get_by_role("button", name="Import 1 row").click()
    page.wait_for_selector("text=Imported by R. Oster")
    page.locator("table a").first.click()
    page.wait_for_selector("h1:has-text('BW-T3')")
    assert watched.faults == []


def test_choosing_another_file_takes_the_preview_away(desk: Watched) -> None:
    page = desk.open("/upload")
    for row, expected in ((story.BAD_ROW, "2 problems"), (story.GOOD_ROW, "row by row")):
        text = row.format(day="02.03.2026", number="91")
        file: FilePayload = {
            "name": "a.csv",
            "mimeType": "text/csv",
            "buffer": story.laboratory_file(text),
        }
        page.set_input_files("input[type=file]", [file])
        assert page.locator("#preview h2").count() == 0
        page.get_by_role("button", name="Look at it first").click()
        page.wait_for_selector(f"#preview >> text=/{expected}/i")
    assert desk.faults == []
