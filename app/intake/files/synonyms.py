"""What a header or a word of a foreign file commonly means: proposals for a person to look at, never more.

The words are data, in ``synonyms.yaml``.
"""

import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

import yaml

from app.intake.text import folded
from app.intake.units import UNITS, unit_named
from app.science.quantities import NAMES

_BRACKETED: Final = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_GLUED: Final = re.compile(r"(.+?)[ _]*(ppmv?|ppb)")
_SEPARATORS: Final = re.compile(r"[\s,;:/_|+–-]+")

Word = Literal["not_detected", "not_measured"]


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header may mean.

    Attributes:
        role: ``date``, ``time``, ``unit_serial`` ..., ``ignore``, or the name of a quantity.
        unit: the unit it names, a key of :data:`app.intake.units.UNITS`; None when it names none.
    """

    role: str
    unit: str | None = None


def meaning_of(header: str) -> Meaning | None:
    """What a header may mean, or None when it says nothing known or two things at once.

    The whole header goes before its parts: ``Oil temperature`` is one word, ``CO2/CO`` are two that disagree.
    """
    roles = _roles()
    bracketed = [part.strip() for part in _BRACKETED.findall(header)]
    outer = _BRACKETED.sub(" ", header).strip()
    for candidate in (header, outer):
        role = roles.get(_plain(candidate))
        if role is not None:
            return Meaning(role, _unit(role, [*bracketed, *_trailing_units(candidate)]))
    pieces = [piece for piece in _SEPARATORS.split(outer) if piece]
    if any(_plain(piece) in _derived() for piece in pieces):
        return None
    for length in range(len(pieces) - 1, 0, -1):  # "Hydrogen µL/L": the longest beginning that is a word
        role = roles.get(_plain(" ".join(pieces[:length])))
        rest = outer[_end_of(outer, pieces[:length]) :].strip(" ,;:/_-")
        if role in NAMES and _unit(role, [rest]) is not None:
            return Meaning(role, _unit(role, [rest]))
    found = {roles[p] for piece in [*pieces, *bracketed] if (p := _plain(piece)) in roles}
    quantities = {role for role in found if role in NAMES}
    if len(quantities) == 1 and found == quantities:
        role = quantities.pop()
        return Meaning(role, _unit(role, [*bracketed, *pieces[-1:]]))
    return None


def word_means(word: str) -> Word | None:
    """What a word in place of a number commonly means, or None."""
    plain = folded(word).replace(" ", "")
    kinds: tuple[Word, ...] = ("not_detected", "not_measured")
    return next((kind for kind in kinds if plain in _words(kind)), None)


def _plain(text: str) -> str:
    return folded(text).strip(" .:#")


def _unit(role: str, texts: list[str]) -> str | None:
    """The unit that one of the texts names; of a quantity that comes in one unit only, that one."""
    if role not in UNITS:
        return None
    named = (unit_named(role, text) for text in texts)
    only = next(iter(UNITS[role])) if len(UNITS[role]) == 1 else None
    return next((unit for unit in named if unit is not None), only)


def _trailing_units(header: str) -> list[str]:
    glued = _GLUED.fullmatch(folded(header))
    return [glued[2]] if glued else []


def _end_of(text: str, pieces: list[str]) -> int:
    end = 0
    for piece in pieces:
        end = text.index(piece, end) + len(piece)
    return end


@lru_cache(maxsize=1)
def _data() -> dict[str, Any]:
    path = Path(__file__).with_name("synonyms.yaml")
    found: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return found


@lru_cache(maxsize=1)
def _roles() -> dict[str, str]:
    """Role by word. A word that stands under two roles is an error of the data."""
    roles: dict[str, str] = {}
    for section in ("quantities", "roles"):
        for role, words in _data()[section].items():
            for word in words:
                if roles.setdefault(_plain(word), role) != role:
                    raise ValueError(f"synonyms.yaml: {word!r} stands under {roles[_plain(word)]} and {role}")
    return roles


@lru_cache(maxsize=1)
def _derived() -> frozenset[str]:
    return frozenset(_plain(word) for word in _data()["derived"])


@lru_cache(maxsize=4)
def _words(kind: str) -> frozenset[str]:
    return frozenset(folded(word).replace(" ", "") for word in _data()[kind])
