"""All pages of the help, in the order in which the first page lists them."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from app.web.help.markdown import INDEX, HelpPage, read_page
from app.web.help.search import SearchIndex

FOLDER: Final = Path(__file__).parents[2] / "help"
_PART: Final = re.compile(r"^## +(.+)$")
_ENTRY: Final = re.compile(r"^- +\[[^\]]+\]\(([a-z0-9-]+)\.md\)")


@dataclass(frozen=True)
class Part:
    """A heading of the first page and the pages listed under it."""

    title: str
    pages: tuple[HelpPage, ...]


@dataclass(frozen=True)
class Book:
    """``pages`` by name, the first page among them; ``parts`` are the table of contents."""

    pages: Mapping[str, HelpPage]
    parts: tuple[Part, ...]
    index: SearchIndex


def read_book(folder: Path = FOLDER) -> Book:
    """Every page of a folder.

    Raises:
        ValueError: a page is not listed on the first page, or is listed and not there.
    """
    texts = {path.stem: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.md"))}
    pages = {name: read_page(name, text) for name, text in texts.items()}
    listed = _listed(texts[INDEX])
    names = [name for _, part in listed for name in part]
    if sorted([*names, INDEX]) != sorted(pages):
        raise ValueError(f"the first page of the help lists {sorted(names)}; there are {sorted(pages)}")
    parts = tuple(Part(title, tuple(pages[name] for name in part)) for title, part in listed)
    return Book(pages, parts, SearchIndex(pages[name] for name in names))


def _listed(text: str) -> list[tuple[str, list[str]]]:
    """The headings of the first page, each with the names of the pages under it."""
    found: list[tuple[str, list[str]]] = []
    for line in text.splitlines():
        if heading := _PART.match(line):
            found.append((heading.group(1), []))
        elif entry := _ENTRY.match(line):
            found[-1][1].append(entry.group(1))
    return found


@cache
def book() -> Book:
    """The help of this program, read once."""
    return read_book()
