"""What an unknown file looks like: proposals for the mapping page. A person looks at each before it is applied."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from itertools import islice
from typing import Final

from app.intake.files.grid import Cell, text_of
from app.intake.files.synonyms import Meaning, meaning_of, word_means
from app.intake.text import UnreadableFileError
from app.intake.units import UNITS, unit_named
from app.services.files.mapping_grid import Grid, Structure, cell_at, read_grid

MOST_COLUMNS: Final = 120
WORDS_SHOWN: Final = 20
DATE_FORMATS: Final = {
    "%d.%m.%Y": "31.12.2026",
    "%d/%m/%Y": "31/12/2026",
    "%m/%d/%Y": "12/31/2026",
    "%Y-%m-%d": "2026-12-31",
    "%d-%m-%Y": "31-12-2026",
    "%m-%d-%Y": "12-31-2026",
    "%Y/%m/%d": "2026/12/31",
    "%Y.%m.%d": "2026.12.31",
    "%Y%m%d": "20261231",
    "%d %b %Y": "31 Dec 2026",
    "%d-%b-%Y": "31-Dec-2026",
}
"""``strptime`` formats of the day, with an example; years always with their century."""
TIME_FORMATS: Final = {
    "": "no time of day",
    " %H:%M": "14:05",
    " %H:%M:%S": "14:05:30",
    " %H.%M": "14.05",
    " %H%M": "1405",
    " %I:%M %p": "02:05 PM",
    "T%H:%M": "T14:05",
    "T%H:%M:%S": "T14:05:30",
    "T%H:%M%z": "T14:05+02:00",
    "T%H:%M:%S%z": "T14:05:30+02:00",
}
"""What follows the day."""
_NUMBER: Final = re.compile(r"[<＜>≥≤]?\s*[+-]?[\d.,'\s\u00a0\u202f]*\d[\d.,]*(?:[eE][+-]?\d+)?\s*%?")
_GROUPED: Final = re.compile(r"(?<=\d)([.,'\s])\d{3}(?!\d)")
_DECIMAL: Final = re.compile(r"\d([.,])(?!\d{3}(?:\D|$))\d+")


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """One column: its header, its first different cells, and what it may mean (None: nothing known)."""

    header: str
    cells: tuple[str, ...]
    meaning: Meaning | None


@dataclass(frozen=True)
class Guess:
    """Proposals for a whole file. None where nothing can be said or several things are possible."""

    grid: Grid
    columns: tuple[ColumnGuess, ...]
    decimal_mark: str | None
    thousands_mark: str | None
    date_formats: tuple[tuple[str, str], ...]
    """(day, what follows it) formats that every date of the file fits."""
    hours_missing: bool
    """Some row says no time of day."""
    units_under_header: bool
    words: dict[str, str | None] = field(default_factory=dict)
    """What stands in place of numbers, and what it commonly means."""


def guess(content: bytes, structure: Structure) -> Guess:
    """Proposals for a file; what ``structure`` says is taken as it is.

    Raises:
        UnreadableFileError: if the file cannot be cut into a header and rows; the message says why.
    """
    grid = read_grid(content, structure)
    headers = grid.headers
    if len(headers) > MOST_COLUMNS:
        raise UnreadableFileError(
            f"the row of headers has {len(headers)} cells, more than {MOST_COLUMNS}; is it the header?"
        )
    meanings = [meaning_of(header) for header in headers]
    under = _units_under_header(grid, meanings)
    if under:
        grid = replace(grid, rows=grid.rows[1:])
        meanings = [
            Meaning(m.role, under.get(i, m.unit)) if m is not None else None for i, m in enumerate(meanings)
        ]
    columns = tuple(
        ColumnGuess(header, _first(grid.column(i)), meaning)
        for i, (header, meaning) in enumerate(zip(headers, meanings, strict=True))
    )
    readings = [i for i, m in enumerate(meanings) if m is not None and m.role in UNITS]
    mark = decimal_mark(grid, readings)
    when = Times(grid, _place(meanings, "date"), _place(meanings, "time"))
    return Guess(
        grid=grid,
        columns=columns,
        decimal_mark=mark,
        thousands_mark=thousands_mark(grid, readings, mark),
        date_formats=when.formats(),
        hours_missing=when.hours_missing,
        units_under_header=bool(under),
        words=words_in_place_of_numbers(grid, readings),
    )


def decimal_mark(grid: Grid, places: Sequence[int]) -> str | None:
    """The mark that the numbers of some columns show beyond doubt, or None."""
    seen: Counter[str] = Counter()
    for cell in _numbers(grid, places):
        if found := _DECIMAL.search(cell):
            seen[found[1]] += 1
    if not seen and any(isinstance(c, float) for place in places for c in grid.column(place)):
        return "."
    return next(iter(seen)) if len(seen) == 1 else None


def thousands_mark(grid: Grid, places: Sequence[int], decimal: str | None) -> str | None:
    """The mark between groups of three digits, where the decimal mark is known and some number has one."""
    if decimal is None:
        return None
    marks = {found[1] for cell in _numbers(grid, places) for found in _GROUPED.finditer(cell)} - {decimal}
    plain = {" " if mark.isspace() else mark for mark in marks}
    return plain.pop() if len(plain) == 1 else None


def _numbers(grid: Grid, places: Sequence[int]) -> Iterator[str]:
    """Cells of some columns that are numbers written as text."""
    for place in places:
        yield from (c for c in grid.column(place) if isinstance(c, str) and _NUMBER.fullmatch(c))


class Times:
    """The written dates and times of day of a file."""

    def __init__(self, grid: Grid, day: int | None, clock: int | None) -> None:
        self.days: list[str] = []
        self.clocks: list[str] = []
        self.hours_missing = False
        self._real = False
        for row in grid.rows if day is not None else ():
            when = cell_at(row, day)
            hour = cell_at(row, clock)
            if isinstance(when, datetime | date) or isinstance(hour, time | datetime):
                self._real = True
                self.hours_missing |= hour == "" and not isinstance(when, datetime)
                continue
            if when == "":
                continue
            self.days.append(text_of(when))
            self.clocks.append(text_of(hour))

    def formats(self) -> tuple[tuple[str, str], ...]:
        """All formats that every row fits; of real dates in a workbook, any is right."""
        if not self.days:
            return (("%Y-%m-%d", " %H:%M"),) if self._real else ()
        split = any(self.clocks)
        self.hours_missing |= split and not all(self.clocks)
        found = []
        for form in DATE_FORMATS:
            for tail in TIME_FORMATS:
                pairs = zip(self.days, self.clocks, strict=True)
                # where hours have a column of their own, a row without one is a day only
                whole = ((f"{d} {c}", form + tail) if c else (d, form + tail * (not split)) for d, c in pairs)
                if (bool(tail) or not split) and all(_fits(text, f) for text, f in whole):
                    found.append((form, tail))
        self.hours_missing |= bool(found) and all(tail == "" for _, tail in found)
        return tuple(found)


def words_in_place_of_numbers(grid: Grid, places: Sequence[int]) -> dict[str, str | None]:
    """Texts of some columns that are no numbers, the most frequent first, and what they commonly mean."""
    found: Counter[str] = Counter()
    for place in places:
        found.update(c for c in grid.column(place) if isinstance(c, str) and not _NUMBER.fullmatch(c))
    return {word: word_means(word) for word, _ in found.most_common(WORDS_SHOWN)}


def _fits(text: str, form: str) -> bool:
    try:
        datetime.strptime(text, form)  # noqa: DTZ007 - only whether it fits
    except ValueError:
        return False
    return True


def _units_under_header(grid: Grid, meanings: Sequence[Meaning | None]) -> dict[int, str]:
    """Units by column when the row under the header gives them; empty when it does not."""
    first = grid.rows[0].cells
    found: dict[int, str] = {}
    for place, meaning in enumerate(meanings):
        if meaning is None or meaning.role not in UNITS or place >= len(first):
            continue
        unit = unit_named(meaning.role, text_of(first[place]).strip())
        if unit is None:
            return {}
        found[place] = unit
    return found if len(grid.rows) > 1 else {}


def _place(meanings: Sequence[Meaning | None], role: str) -> int | None:
    return next((i for i, m in enumerate(meanings) if m is not None and m.role == role), None)


def _first(cells: Sequence[Cell], count: int = 3) -> tuple[str, ...]:
    return tuple(islice(_distinct(text_of(cell) for cell in cells), count))


def _distinct(texts: Iterator[str]) -> Iterator[str]:
    yield from dict.fromkeys(texts)
