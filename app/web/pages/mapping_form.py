"""The fields of the mapping page: from proposals to what the form shows, and from the form to decisions."""

import hashlib
import json
from collections.abc import Mapping
from typing import Final

from app.intake.files.grid import text_of
from app.science.quantities import BY_NAME
from app.services.files.map_columns import Column, Decisions
from app.services.files.mapping_grid import Grid, Structure
from app.services.files.mapping_guess import Guess, words_in_place_of_numbers

PREFIX: Final = "m-"
DELIMITER_NAMES: Final = {";": "semicolon", ",": "comma", "\t": "tab", "|": "bar"}
ENCODINGS: Final = {
    "utf-8": "UTF-8",
    "cp1252": "Windows, Western European (cp1252)",
    "iso8859-15": "Latin 9 (ISO 8859-15)",
    "utf-16-le": "UTF-16",
}
PARTS_SHOWN: Final = 20


def structure_of(fields: Mapping[str, str]) -> Structure:
    """How the form says that the file is cut; what it does not say is left to the guess."""
    delimiters = {name: mark for mark, name in DELIMITER_NAMES.items()}
    line = fields.get("m-header", "")
    encoding = fields.get("m-encoding", "")
    return Structure(
        encoding=encoding if encoding in ENCODINGS else None,
        delimiter=delimiters.get(fields.get("m-delimiter", "")),
        header_line=int(line) if line.isdecimal() and len(line) < 8 else None,
        sheet=fields.get("m-sheet") or None,
    )


def proposed_fields(guess: Guess) -> dict[str, str]:
    """What the form shows before anybody has decided: proposals, and nothing where none can be made."""
    days = {day for day, _ in guess.date_formats}
    clocks = {clock.strip() for _, clock in guess.date_formats}
    fields = {
        "m-under": "1" if guess.units_under_header else "",
        "m-decimal": guess.decimal_mark or "",
        "m-thousands": "space" if guess.thousands_mark == " " else guess.thousands_mark or "",
        "m-day": days.pop() if len(days) == 1 else "",
        "m-clock": clocks.pop() if len(clocks) == 1 else "",
        "m-zone": "site",
        "m-repeated": "refuse",
        "m-zero": "value",
    }
    for i, column in enumerate(guess.columns):
        if column.meaning is not None:
            fields[f"m-role-{i}"] = column.meaning.role
            fields[f"m-unit-{i}"] = column.meaning.unit or ""
    return fields


def shown_fields(sent: Mapping[str, str], guess: Guess) -> dict[str, str]:
    """What the form shows: what was sent; proposals where nothing was, and for words that were not asked before."""
    mapping = {name: text for name, text in sent.items() if name.startswith(PREFIX)}
    fields = mapping if "m-decimal" in mapping else {**proposed_fields(guess), **mapping}
    known = {fields.get(f"m-word-{i}") for i in range(len(guess.words) + 40)}
    for i, (word, means) in enumerate(words_of(fields, guess).items()):
        if word not in known:
            fields[f"m-means-{i}"] = means or ""
        fields[f"m-word-{i}"] = word
    for i, part in enumerate(parts_of(fields, guess.grid)):
        if fields.get(f"m-part-{i}") != part:
            fields[f"m-is-{i}"] = ""
        fields[f"m-part-{i}"] = part
    return fields


def words_of(fields: Mapping[str, str], guess: Guess) -> dict[str, str | None]:
    """What stands in place of numbers in the columns that are readings now, and what it commonly means.

    In a fixed order, so that a word keeps its number in the form: those asked before first.
    """
    asked = (fields[name] for i in range(200) if (name := f"m-word-{i}") in fields)
    quantities = [i for i in range(len(guess.columns)) if _is_quantity(fields.get(f"m-role-{i}", ""))]
    found = words_in_place_of_numbers(guess.grid, quantities)
    return {**dict.fromkeys(asked), **guess.words, **found} if quantities else dict(guess.words)


def parts_of(fields: Mapping[str, str], grid: Grid) -> list[str]:
    """The laboratory's words for compartments, where a column holds them."""
    for i in range(len(grid.headers)):
        if fields.get(f"m-role-{i}") == "compartment":
            return list(dict.fromkeys(text_of(cell) for cell in grid.column(i)))[:PARTS_SHOWN]
    return []


def decisions_of(fields: Mapping[str, str], grid: Grid) -> Decisions:
    """What the form says."""
    return Decisions(
        columns=tuple(
            Column(
                header,
                fields.get(f"m-role-{i}", ""),
                fields.get(f"m-unit-{i}", ""),
                fields.get(f"m-limit-{i}", ""),
            )
            for i, header in enumerate(grid.headers)
        ),
        decimal_mark=fields.get("m-decimal", ""),
        thousands_mark={"space": " "}.get(fields.get("m-thousands", ""), fields.get("m-thousands", "")),
        day_format=fields.get("m-day", ""),
        clock_format=_clock(fields.get("m-clock", "")),
        assumed_time=fields.get("m-assumed", ""),
        zone=fields.get("m-zone", ""),
        repeated_hour=fields.get("m-repeated", "refuse"),
        gas_volume_temperature=fields.get("m-gas", ""),
        zero=fields.get("m-zero", "value"),
        units_under_header=bool(fields.get("m-under")),
        leave_undecided=bool(fields.get("m-rest")),
        words=_pairs(fields, "m-word", "m-means"),
        compartments=_pairs(fields, "m-part", "m-is"),
        default_compartment=fields.get("m-default", ""),
    )


def digest(decisions: Decisions, grid: Grid) -> str:
    """Equal for equal decisions about equally cut files: what was looked at is what is saved."""
    told = [repr(decisions), grid.encoding, grid.delimiter, str(grid.header.line), grid.sheet or ""]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _pairs(fields: Mapping[str, str], key: str, value: str) -> dict[str, str]:
    found = {fields[k]: fields.get(f"{value}-{i}", "") for i in range(200) if (k := f"{key}-{i}") in fields}
    return {word: means for word, means in found.items() if word and means}


def _clock(text: str) -> str:
    """Browsers and proxies trim values: the space before the hour is put back."""
    return text if not text or text.startswith("T") else f" {text.strip()}"


def _is_quantity(role: str) -> bool:
    return role in BY_NAME
