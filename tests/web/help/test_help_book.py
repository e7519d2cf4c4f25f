"""The help as it is shipped: every page is listed, and every link and anchor leads somewhere."""

import re
from pathlib import Path

import pytest

from app.web.help.book import FOLDER, book, read_book

PAGES = sorted(path.stem for path in FOLDER.glob("*.md"))
TEMPLATES = Path(__file__).parents[3] / "app" / "web" / "templates"


def _hrefs(html: str) -> list[str]:
    return [link.replace("&amp;", "&") for link in re.findall(r'href="([^"]*)"', html)]


def _anchors() -> set[str]:
    return {f"{page.address}#{h.anchor}" for page in book().pages.values() for h in page.headings}


@pytest.mark.parametrize("name", PAGES)
def test_links_between_pages_and_to_anchors_lead_somewhere(name: str) -> None:
    page = book().pages[name]
    known = {one.address for one in book().pages.values()} | _anchors()
    for href in _hrefs(page.html):
        whole = f"{page.address}{href}" if href.startswith("#") else href
        assert not whole.startswith("http"), f"{name} links outside: the help works without internet"
        assert not whole.startswith("/help") or whole in known, f"{name} links to {href}"


def test_links_of_other_pages_to_the_help_lead_somewhere() -> None:
    known = {one.address for one in book().pages.values()} | _anchors() | {"/help/search"}
    found = [href for path in TEMPLATES.rglob("*.html") for href in _hrefs(path.read_text(encoding="utf-8"))]
    to_help = {href.partition("?")[0] for href in found if href.startswith("/help") and "{{" not in href}
    assert "/help" in to_help
    assert to_help <= known


def test_the_first_page_lists_every_page_once() -> None:
    listed = [page.name for part in book().parts for page in part.pages]
    assert sorted([*listed, "index"]) == PAGES
    assert all(part.pages for part in book().parts)


def test_no_page_takes_the_address_of_the_search() -> None:
    assert "search" not in PAGES


@pytest.mark.parametrize(
    ("index", "reason"),
    [
        (
            "# Help\n\n## A\n\n- [One](one.md): x\n- [Two](two.md): x\n",
            r"lists \['one', 'two'\]; there are \['index', 'one'\]",
        ),
        ("# Help\n\n## A\n", r"lists \[\]; there are \['index', 'one'\]"),
        ("# Help\n\n## A\n\n- [One](one.md): x\n- [One](one.md): x\n", r"lists \['one', 'one'\]"),
    ],
)
def test_a_list_that_is_not_that_of_the_pages_is_refused(tmp_path: Path, index: str, reason: str) -> None:
    (tmp_path / "index.md").write_text(index, encoding="utf-8")
    (tmp_path / "one.md").write_text("# One\n", encoding="utf-8")
    with pytest.raises(ValueError, match=reason):
        read_book(tmp_path)
