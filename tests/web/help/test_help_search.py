"""Search over the help: what is found, in which order, and how the passage is shown."""

import pytest

from app.web.help.book import book
from app.web.help.markdown import read_page
from app.web.help.search import MOST_RESULTS, SNIPPET, SearchIndex

KEYS = read_page(
    "keys",
    "# Keys\n\nA label helps.\n\n## Rotate\n\nA new key; the older key ends.\n\n## Revoke\n\nIt ends.\n",
)
FLEET = read_page(
    "fleet", "# Fleet\n\nOne key among many words of a long paragraph about units and sites.\n\n## Empty\n"
)
INDEX = SearchIndex([KEYS, FLEET])


def _found(query: str) -> list[str]:
    return [one.address for one in INDEX.search(query)]


def test_title_and_heading_go_before_a_word_in_the_text() -> None:
    assert _found("keys") == ["/help/keys", "/help/keys#rotate", "/help/keys#revoke", "/help/fleet"]
    assert _found("rotate") == ["/help/keys#rotate"]


def test_a_section_with_all_the_words_goes_before_those_with_some() -> None:
    assert _found("key ends") == ["/help/keys#rotate", "/help/keys#revoke"]
    assert _found("How do I rotate the key?") == ["/help/keys#rotate"]
    assert _found("label nonsense") == ["/help/keys"]


def test_beginnings_plurals_case_accents_and_subscripts_are_found() -> None:
    index = SearchIndex([read_page("gas", "# Gas\n\nThe ratio O₂/N₂ and résumés of Backups.\n")])
    for query in ("RATI", "o2", "n₂", "resume", "backup", "Backups"):
        assert [one.address for one in index.search(query)] == ["/help/gas"], query
    assert index.search("ack") == []


def test_a_heading_without_text_is_found() -> None:
    (one,) = INDEX.search("empty")
    assert (one.page, one.heading, one.address, one.snippet) == ("Fleet", "Empty", "/help/fleet#empty", "")


@pytest.mark.parametrize("query", ["", "   ", "?!", "zzz", "_", "x" * 5000])
def test_nothing_is_found(query: str) -> None:
    assert INDEX.search(query) == []


def test_the_passage_is_cut_around_the_word_and_marked() -> None:
    text = f"{'before ' * 60}needle<b> {'after ' * 60}"
    (one,) = SearchIndex([read_page("long", f"# Long\n\n{text}\n")]).search("needle")
    assert "<mark>needle</mark>&lt;b&gt; after" in one.snippet
    assert one.snippet.startswith("… before ")
    assert one.snippet.endswith(" …")
    assert len(one.snippet.striptags()) <= SNIPPET + 10


@pytest.mark.parametrize(
    ("query", "address"),
    [
        ("rotate a key", "/help/connect-an-instrument#keys"),
        ("how do I connect an instrument", "/help/connect-an-instrument"),
        ("ULLAGE_SMTP_HOST", "/help/settings#mail"),
        ("--max-spool-mb", "/help/gateway#spool"),
        ("restore a backup", "/help/keep-the-record#back-up-and-restore"),
        ("laboratory not listed", "/help/laboratory-files#a-laboratory-that-is-not-listed"),
        ("confirmation sample", "/help/verdict#confirmation"),
        ("shelve", "/help/alerts#states"),
        ("prometheus", "/help/watch#metrics"),
        ("429", "/help/connect-an-instrument#when-a-whole-post-is-refused"),
        ("own limits", "/help/fleet#your-own-limits"),
    ],
)
def test_what_people_ask_is_among_the_first_three(query: str, address: str) -> None:
    assert address in [one.address for one in book().index.search(query)][:3]


def test_no_more_than_a_page_of_results() -> None:
    assert len(book().index.search("the")) == MOST_RESULTS
