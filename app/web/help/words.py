"""Words of a text for searching: without case, accents and subscripts, each with its place in the text."""

import re
import unicodedata
from collections.abc import Iterator
from typing import Final

_WORD: Final = re.compile(r"[^\W_]+")


def folded(text: str) -> str:
    """Without case, accents and subscripts: ``O₂/N₂`` is ``o2/n2``."""
    parts = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in parts if not unicodedata.combining(c))


def words(text: str) -> Iterator[tuple[str, int, int]]:
    """(word folded, where it begins, where it ends) of each word."""
    for found in _WORD.finditer(text):
        yield folded(found.group()), found.start(), found.end()
