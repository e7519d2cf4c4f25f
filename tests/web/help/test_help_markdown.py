"""Pages of the help from Markdown: anchors, links, tables, passages, and nothing of a page that is run."""

from html.parser import HTMLParser

import pytest

from app.web.help.markdown import Heading, Passage, address_of, read_page

TEXT = """# Keys & *labels*

First line
goes on.

## For O₂/N₂

- See [alerts](alerts.md#mail), [here](#for-o-n) and [fleet](/).

## Again

## Again

| name | means |
| --- | --- |
| `a` | one **bold** |

```
ullage key   issue

ullage "serve"
```

| a | b | c |
| --- | --- | --- |
| 1 | 2 | 3 |
"""


def test_headings_have_anchors_that_are_unique() -> None:
    page = read_page("keys", TEXT)
    assert page.headings == (
        Heading(1, "Keys & labels", "keys-labels"),
        Heading(2, "For O₂/N₂", "for-o2-n2"),
        Heading(2, "Again", "again"),
        Heading(2, "Again", "again-2"),
    )
    assert (page.title, page.address) == ("Keys & labels", "/help/keys")
    assert '<h2 id="again-2">Again</h2>' in page.html


def test_links_to_pages_become_addresses() -> None:
    html = read_page("keys", TEXT).html
    assert '<a href="/help/alerts#mail">alerts</a>' in html
    assert '<a href="/">fleet</a>' in html
    assert address_of("index") == "/help"


def test_cells_carry_the_name_of_their_column() -> None:
    html = read_page("keys", TEXT).html
    assert '<th scope="col">name</th>' in html
    assert '<td data-label="means">one <strong>bold</strong></td>' in html
    assert html.count("<table>") == 1
    assert html.count('<table class="cards">') == 1


def test_output_can_be_scrolled_and_other_code_is_wrapped() -> None:
    html = read_page("out", "# Out\n\n```text\na   b\n```\n\n```\nullage serve\n```\n").html
    assert '<code tabindex="0" class="language-text">a   b' in html.replace(
        'class="language-text" tabindex="0"', 'tabindex="0" class="language-text"'
    )
    assert html.count("tabindex") == 1


def test_quotation_marks_are_set_outside_code_only() -> None:
    html = read_page("quotes", '# Quotes\n\nIt\'s "so", not `"so"`.\n').html
    assert "It’s “so”, not <code>&quot;so&quot;</code>." in html


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    html = read_page("units", "# Units\n\nAt 5 % and 300 °C in 60 s, 4 samples, `5 %`.\n").html
    assert "At 5\xa0% and 300\xa0°C in 60\xa0s, 4 samples, <code>5 %</code>." in html


def test_passages_are_paragraphs_items_rows_and_blocks() -> None:
    page = read_page("keys", TEXT)
    title, ratio, _, again = page.headings
    assert page.passages == (
        Passage(title, "First line goes on."),
        Passage(ratio, "See alerts, here and fleet."),
        Passage(again, "name – means"),
        Passage(again, "a – one bold"),
        Passage(again, "ullage key issue"),
        Passage(again, 'ullage "serve"'),
        Passage(again, "a – b – c"),
        Passage(again, "1 – 2 – 3"),
    )


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "a <img src=x onerror=alert(1)> b",
        "[click](javascript:alert(1))",
        "[click](JaVaScRiPt&colon;alert(1))",
        "[click](data:text/html;base64,PHNjcmlwdD4=)",
        "![picture](javascript:alert(1))",
        '[click](/x "\\" onmouseover=\\"alert(1)")',
        "```\n</code><script>alert(1)</script>\n```",
        "`<b onclick=alert(1)>`",
        "| a |\n| --- |\n| <script>alert(1)</script> |",
        '## <script>alert(1)</script> "onclick="x',
        "<javascript:alert(1)>",
    ],
)
def test_no_page_can_bring_html_or_scripts(text: str) -> None:
    seen = _Tags(read_page("bad", f"# Title\n\n{text}\n").html)
    assert seen.names <= {
        "h1",
        "h2",
        "p",
        "a",
        "img",
        "pre",
        "code",
        "div",
        "table",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
    }
    assert seen.attributes <= {"id", "href", "title", "src", "alt", "class", "scope", "data-label"}
    assert all(one.startswith("/x") for one in seen.addresses)


class _Tags(HTMLParser):
    """The tags and attributes a browser would see."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.addresses: set[str] = set()
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.addresses |= {value or "" for name, value in attrs if name in {"href", "src"}}


@pytest.mark.parametrize("text", ["", "no title", "## Second\n\n# First", "# One\n\n# Two"])
def test_a_page_begins_with_its_one_title(text: str) -> None:
    with pytest.raises(ValueError, match="help page keys: it must begin with its one title"):
        read_page("keys", text)
