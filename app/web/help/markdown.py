"""A page of the help from Markdown: HTML with anchors, the headings, and the passages that search looks through.

Raw HTML is escaped, and addresses are checked by the library: what a page holds is shown, not run.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from app.web.help.words import folded

ADDRESS: Final = "/help"
INDEX: Final = "index"
OUTPUT: Final = "text"
"""A block of code marked so is not wrapped: a reader without a mouse reaches it to scroll."""
CARDS_FROM: Final = 3
"""A table with so many columns is shown as cards on a narrow screen."""
_UNIT: Final = re.compile(r"(?<=[0-9]) (?=%|°C|µL/L|mg/kg|MiB|(?:s|h|MB|V)\b)")


@dataclass(frozen=True, slots=True)
class Heading:
    """``level`` is 1 for the title of the page; ``anchor`` is unique in the page."""

    level: int
    text: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Passage:
    """A paragraph, list item, row of a table or line of code as plain text, with the heading it stands under."""

    heading: Heading
    text: str


@dataclass(frozen=True, slots=True)
class HelpPage:
    """One page; ``name`` is the last part of its address."""

    name: str
    headings: tuple[Heading, ...]
    passages: tuple[Passage, ...]
    html: Markup

    @property
    def title(self) -> str:
        return self.headings[0].text

    @property
    def address(self) -> str:
        return address_of(self.name)


def address_of(name: str, anchor: str = "") -> str:
    """Where the server shows a page of the help."""
    page = ADDRESS if name == INDEX else f"{ADDRESS}/{name}"
    return f"{page}#{anchor}" if anchor else page


def read_page(name: str, text: str) -> HelpPage:
    """The page that ``text`` describes.

    Raises:
        ValueError: it does not begin with its one title, ``# Title``.
    """
    tokens = _PARSER.parse(text)
    headings = _anchored(tokens)
    if not headings or tokens[0].tag != "h1" or [h.level for h in headings].count(1) != 1:
        raise ValueError(f"help page {name}: it must begin with its one title, '# Title'")
    for token in tokens:
        if token.type == "fence" and token.info == OUTPUT:
            token.attrSet("tabindex", "0")
        _address_links(token)
        _keep_units_together(token)
    _label_cells(tokens)
    html = _PARSER.renderer.render(tokens, _PARSER.options, {})
    return HelpPage(name, headings, tuple(_passages(tokens, headings)), Markup(html))


_PARSER: Final = MarkdownIt("commonmark", {"html": False, "typographer": True}).enable(
    ["table", "smartquotes"]
)


def plain(inline: Token) -> str:
    """The text of an inline token without its marks."""
    parts = []
    for child in inline.children or ():
        parts.append(" " if child.type in {"softbreak", "hardbreak"} else child.content)
    return "".join(parts)


def _anchored(tokens: list[Token]) -> tuple[Heading, ...]:
    """The headings, each given an id of its own."""
    headings: list[Heading] = []
    taken: dict[str, int] = {}
    for at, token in enumerate(tokens):
        if token.type != "heading_open":
            continue
        text = plain(tokens[at + 1])
        slug = re.sub(r"[^a-z0-9]+", "-", folded(text)).strip("-") or "part"
        taken[slug] = taken.get(slug, 0) + 1
        anchor = slug if taken[slug] == 1 else f"{slug}-{taken[slug]}"
        token.attrSet("id", anchor)
        headings.append(Heading(int(token.tag[1]), text, anchor))
    return tuple(headings)


def _address_links(token: Token) -> None:
    """``alerts.md#mail``, as it works in the source, becomes the server's address."""
    for child in token.children or ():
        href = child.attrGet("href")
        if child.type == "link_open" and isinstance(href, str):
            page, _, anchor = href.partition("#")
            if page.endswith(".md"):
                child.attrSet("href", address_of(page.removesuffix(".md"), anchor))


def _keep_units_together(token: Token) -> None:
    """No line ends between a number and its unit."""
    for child in token.children or ():
        if child.type == "text":
            child.content = _UNIT.sub("\N{NO-BREAK SPACE}", child.content)


def _label_cells(tokens: list[Token]) -> None:
    """Each cell of a table carries its column's name, which stands beside it on a narrow screen.

    A table of two columns stays a table there.
    """
    names: list[str] = []
    table = tokens[0]
    column = 0
    for at, token in enumerate(tokens):
        if token.type == "table_open":
            names, table = [], token
        elif token.type == "thead_close" and len(names) >= CARDS_FROM:
            table.attrSet("class", "cards")
        elif token.type == "tr_open":
            column = 0
        elif token.type == "th_open":
            token.attrSet("scope", "col")
            names.append(plain(tokens[at + 1]))
        elif token.type == "td_open":
            token.attrSet("data-label", names[column])
            column += 1


def _passages(tokens: list[Token], headings: tuple[Heading, ...]) -> Iterator[Passage]:
    by_anchor: Mapping[str, Heading] = {h.anchor: h for h in headings}
    heading = headings[0]
    cells: list[str] | None = None
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            heading = by_anchor[str(token.attrGet("id"))]
        elif token.type == "tr_open":
            cells = []
        elif token.type == "tr_close" and cells is not None:
            yield Passage(heading, " – ".join(cell for cell in cells if cell))
            cells = None
        elif token.type == "fence":
            yield from (
                Passage(heading, " ".join(line.split()))
                for line in token.content.splitlines()
                if line.strip()
            )
        elif token.type == "inline" and tokens[at - 1].type != "heading_open":
            text = plain(token)
            if cells is None:
                yield Passage(heading, text)
            else:
                cells.append(text)
