"""Full text search over the help: sections ranked by what they say, each with the passage that fits best.

The score of a passage is BM25 (Robertson and Zaragoza, 2009) over its words, with more for words of the heading and
the title. A word that only begins with what was asked for counts less. Sections that have more of the words asked for
go before all that have fewer.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import log
from typing import Final

from markupsafe import Markup, escape

from app.web.help.markdown import Heading, HelpPage, Passage, address_of
from app.web.help.words import words

MOST_WORDS: Final = 12
MOST_RESULTS: Final = 25
SNIPPET: Final = 260
"""Letters of a passage that are shown at most."""
BEFORE: Final = 80
"""Of these before the first word that was asked for."""
LITTLE_WORDS: Final = frozenset(
    (
        *(
            "a",
            "an",
            "and",
            "are",
            "can",
            "do",
            "does",
            "for",
            "from",
            "how",
            "i",
            "if",
            "in",
            "is",
            "it",
            "my",
        ),
        *(
            "of",
            "on",
            "or",
            "our",
            "the",
            "this",
            "to",
            "what",
            "when",
            "where",
            "which",
            "why",
            "with",
            "you",
        ),
    )
)
_HEADING, _TITLE = 2.5, 1.5
_BEGINNING: Final = 0.5
"""Weight of a word that begins with the one asked for, beside the word itself."""
_SATURATION, _LENGTH = 1.2, 0.5
"""k1 and b of BM25."""


@dataclass(frozen=True, slots=True)
class Result:
    """A section that fits: its page and heading, and the best passage with the words marked."""

    page: str
    heading: str
    address: str
    snippet: Markup


@dataclass(frozen=True, slots=True)
class _Entry:
    page: HelpPage
    passage: Passage
    body: Mapping[str, int]
    length: int
    heading: frozenset[str]
    title: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One word that was asked for: which words of the help fit it and how well, and how rare they are."""

    fits: Mapping[str, float]
    rarity: float


class SearchIndex:
    """Every passage of some pages, ready to be searched."""

    def __init__(self, pages: Iterable[HelpPage]) -> None:
        self._entries = [entry for page in pages for entry in _entries(page)]
        self._mean = sum(e.length for e in self._entries) / max(1, len(self._entries))
        everything = [{*e.body, *e.heading, *e.title} for e in self._entries]
        self._spread = Counter(word for one in everything for word in one)

    def search(self, query: str) -> list[Result]:
        """The sections that fit best, best first; none for a query without a word."""
        asked = _asked(query)
        wanted = [self._wanted(word) for word in asked]
        best: dict[tuple[str, str], tuple[int, float, _Entry]] = {}
        for entry in self._entries:
            scores = [self._score(entry, word) for word in wanted]
            hits = sum(score > 0 for score in scores)
            place = (entry.page.name, entry.passage.heading.anchor)
            if hits and (hits, sum(scores)) > best.get(place, (0, 0.0))[:2]:
                best[place] = (hits, sum(scores), entry)
        most = max((hits for hits, _, _ in best.values()), default=0)
        ranked = sorted((one for one in best.values() if one[0] == most), key=lambda one: -one[1])
        return [_result(entry, asked) for _, _, entry in ranked[:MOST_RESULTS]]

    def _wanted(self, asked: str) -> _Wanted:
        fits = {word: fit for word in self._spread if (fit := _fit(word, asked))}
        spread = sum(self._spread[word] for word in fits)
        return _Wanted(fits, log(1.0 + len(self._entries) / spread) if spread else 0.0)

    def _score(self, entry: _Entry, wanted: _Wanted) -> float:
        """How well one word fits one passage; 0: not at all."""
        body = sum(entry.body[word] * fit for word, fit in wanted.fits.items() if word in entry.body)
        heading, title = (
            max((fit for word, fit in wanted.fits.items() if word in part), default=0.0)
            for part in (entry.heading, entry.title)
        )
        room = 1.0 - _LENGTH + _LENGTH * entry.length / self._mean
        said = body * (_SATURATION + 1.0) / (body + _SATURATION * room)
        return wanted.rarity * (said + _HEADING * heading + _TITLE * title)


def _entries(page: HelpPage) -> Iterable[_Entry]:
    title = frozenset(word for word, _, _ in words(page.title))
    bare = [Passage(h, "") for h in page.headings]  # so that a section is found by its heading alone
    for passage in (*bare, *page.passages):
        body = Counter(word for word, _, _ in words(passage.text))
        heading = frozenset(word for word, _, _ in words(passage.heading.text))
        yield _Entry(page, passage, body, body.total(), heading, title)


def _asked(query: str) -> list[str]:
    """The words that are looked for, without little words unless there are no others."""
    every = list(dict.fromkeys(word for word, _, _ in words(query)))
    telling = [word for word in every if word not in LITTLE_WORDS]
    return (telling or every)[:MOST_WORDS]


def _fit(word: str, asked: str) -> float:
    """1 for the word itself, with or without a plural's s; less for one that begins with it."""
    if word == asked or word == f"{asked}s" or f"{word}s" == asked:
        return 1.0
    return _BEGINNING if len(asked) >= 3 and word.startswith(asked) else 0.0


def _result(entry: _Entry, asked: list[str]) -> Result:
    heading: Heading = entry.passage.heading
    text = entry.passage.text or _first_passage(entry)
    anchor = "" if heading.level == 1 else heading.anchor
    return Result(
        page=entry.page.title,
        heading="" if heading.level == 1 else heading.text,
        address=address_of(entry.page.name, anchor),
        snippet=_snippet(text, asked),
    )


def _first_passage(entry: _Entry) -> str:
    """What a section begins with, where its heading alone was found."""
    return next((p.text for p in entry.page.passages if p.heading == entry.passage.heading), "")


def _snippet(text: str, asked: list[str]) -> Markup:
    """Up to :data:`SNIPPET` letters around the first word that was asked for, those words marked."""
    hits = [(begin, end) for word, begin, end in words(text) if any(_fit(word, one) for one in asked)]
    start = _start_of_word(text, hits[0][0] - BEFORE) if hits and len(text) > SNIPPET else 0
    stop = len(text) if len(text) - start <= SNIPPET else text.rfind(" ", start, start + SNIPPET)
    if stop <= start:
        stop = min(len(text), start + SNIPPET)
    parts = [Markup("… ") if start else Markup("")]
    at = start
    for begin, end in hits:
        if begin >= at and end <= stop:
            parts += [escape(text[at:begin]), Markup("<mark>{}</mark>").format(text[begin:end])]
            at = end
    parts += [escape(text[at:stop]), Markup(" …") if stop < len(text) else Markup("")]
    return Markup("").join(parts)


def _start_of_word(text: str, at: int) -> int:
    if at <= 0:
        return 0
    return text.find(" ", at) + 1
