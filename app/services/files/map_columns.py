"""From a person's decisions about an unknown file to a laboratory's profile, and what the file says by it."""

import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from app.domain.model import Rejection, Source, SourceKind
from app.errors import GivenError
from app.intake.files.laboratory import LaboratoryRow, read_laboratory_file
from app.intake.files.profile import Profile, ProfileError, parse_profile
from app.intake.numbers import shown
from app.intake.text import folded
from app.intake.units import UNITS
from app.science.quantities import BY_NAME, GASES
from app.services.files.mapping_grid import Grid
from app.store.database import Connection, Database
from app.store.files import laboratory_profiles
from app.store.registering import fleet, registration, source_lookup

ROWS_SHOWN: Final = 10
PROBLEMS_SHOWN: Final = 50
ROOM_ABOVE: Final = 5
"""Further rows of heading that a later file may have; the header is found by its words."""
_UNITS_BY: Final = {"unit_code": "code", "unit_serial": "serial", "unit_name": "name"}
_ONCE: Final = ("date", "time", "compartment", "laboratory_number", "remark", *_UNITS_BY)
ROLES: Final = (*_ONCE, "ignore", *BY_NAME)
"""What a column can be; ``ignore`` is "do not read"."""
_PLAIN_NUMBER: Final = re.compile(r"\d{1,12}(\.\d{1,12})?", re.ASCII)
_CODE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")


class MappingError(GivenError):
    """The decisions do not make a profile; ``problems`` is (what, how to mend it) for each fault."""

    def __init__(self, problems: Sequence[tuple[str, str]]) -> None:
        super().__init__("; ".join(f"{what}: {reason}" for what, reason in problems))
        self.problems = tuple(problems)


@dataclass(frozen=True, slots=True)
class Column:
    """What one column is: a role of :data:`ROLES`, empty while nobody has decided."""

    header: str
    role: str = ""
    unit: str = ""
    limit: str = ""


@dataclass(frozen=True, slots=True)
class Decisions:
    """Everything a person has decided about a file. Texts as they were typed; empty: not decided."""

    columns: tuple[Column, ...]
    decimal_mark: str = ""
    thousands_mark: str = ""
    day_format: str = ""
    clock_format: str = ""
    assumed_time: str = ""
    zone: str = "site"
    repeated_hour: str = "refuse"
    gas_volume_temperature: str = ""
    zero: str = "value"
    units_under_header: bool = False
    leave_undecided: bool = False
    """Columns that nobody decided on are not to be read."""
    words: Mapping[str, str] = field(default_factory=dict)
    """``not_measured`` or ``not_detected`` by the word in place of a number."""
    compartments: Mapping[str, str] = field(default_factory=dict)
    """Our name by the laboratory's word."""
    default_compartment: str = ""


@dataclass(frozen=True, slots=True)
class MappedRows:
    """The first rows as the import would read them, how many there are, and what cannot be taken."""

    rows: tuple[LaboratoryRow, ...]
    count: int
    problems: tuple[Rejection, ...]
    problem_count: int


@dataclass(frozen=True, slots=True)
class NewProfile:
    """What is saved: the laboratory (``name`` is for a new one), its profile, and who made it."""

    code: str
    name: str
    profile: Profile
    author: str


def profile_of(decisions: Decisions, grid: Grid, description: str = "") -> Profile:
    """The profile that the decisions make.

    Raises:
        MappingError: with everything that is missing or contradicts.
    """
    problems = [*_column_problems(decisions), *_format_problems(decisions)]
    if problems:
        raise MappingError(problems)
    try:
        return parse_profile(json.dumps(_as_data(decisions, grid, description)), "the mapping")
    except ProfileError as error:
        raise MappingError([("mapping", str(error))]) from None


def read_rows(content: bytes, profile: Profile) -> MappedRows:
    """What the file says by a profile, through the very reader that the import uses."""
    rows, problems = read_laboratory_file(content, profile)
    return MappedRows(tuple(rows[:ROWS_SHOWN]), len(rows), tuple(problems[:PROBLEMS_SHOWN]), len(problems))


def save_profile(database: Database, new: NewProfile, now: datetime) -> None:
    """Keep a profile for a laboratory, which is registered if it is not yet. Earlier profiles of it are kept too.

    Raises:
        MappingError: no author, a code that cannot be, an instrument's code, or a laboratory whose profile is
            part of the program.
    """
    code, name, author = new.code.strip(), new.name.strip(), new.author.strip()
    problems = []
    if not author:
        problems.append(("author", "say who made the mapping"))
    if not _CODE.fullmatch(code):
        problems.append(
            ("code", f"{shown(code)} cannot be a code; use up to 63 letters, digits, '.', '_' and '-'")
        )
    if problems:
        raise MappingError(problems)
    with database.write() as connection:
        registration.lock(connection)
        _register(connection, code, name)
        text = json.dumps(new.profile.model_dump(mode="json"), ensure_ascii=False, indent=1)
        laboratory_profiles.add(connection, code, text, author, now)


def mappable_laboratories(database: Database) -> list[tuple[str, str]]:
    """(code, name) of the laboratories that have no profile of the program's own: theirs can be made by hand."""
    with database.read() as connection:
        return [
            (source.code, source.name)
            for source in source_lookup.all_sources(connection, SourceKind.LABORATORY)
            if source.profile is None
        ]


def compartment_names(database: Database) -> list[str]:
    """Every name that a compartment of the fleet has, the commonest first."""
    with database.read() as connection:
        index = fleet.asset_index(connection)
    counted = Counter(name for names in index.compartments.values() for name in names)
    return [name for name, _ in counted.most_common()]


def _register(connection: Connection, code: str, name: str) -> None:
    known = source_lookup.find_source(connection, code)
    if known is None:
        if not name:
            raise MappingError([("name", "say the name of the new laboratory")])
        registration.upsert_source(connection, Source(code, name, SourceKind.LABORATORY))
        return
    if known.source.kind is not SourceKind.LABORATORY:
        raise MappingError([("code", f"{code} is the code of an instrument; choose another")])
    if known.source.profile is not None:
        own = f"{code} has the profile {known.source.profile}, which is part of the program"
        raise MappingError([("code", f"{own}; give this kind of file a laboratory of its own")])


def _column_problems(decisions: Decisions) -> list[tuple[str, str]]:
    columns = decisions.columns
    problems = []
    for i, column in enumerate(columns, start=1):
        if not column.header:
            problems.append((f"column {i}", "has no header; give it one in the file, or delete the column"))
        elif column.role not in ("", *ROLES):
            problems.append((column.header, f"{shown(column.role)} is nothing that a column can be"))
        elif column.role in UNITS and column.unit not in UNITS[column.role]:
            known = ", ".join(UNITS[column.role])
            problems.append((column.header, f"choose the unit it is in: {known}"))
        problems += _limit_problems(column)
    undecided = [c.header for c in columns if not c.role and c.header]
    if undecided and not decisions.leave_undecided:
        told = ", ".join(f"'{header}'" for header in undecided)
        problems.append(("columns", f"decide what these are, or that they are not read: {told}"))
    problems += _repeated(columns)
    roles = {c.role for c in columns}
    if "date" not in roles:
        problems.append(("date", "say which column holds the date of sampling"))
    if not roles & set(_UNITS_BY):
        problems.append(("unit", "say which column tells the unit: its code, serial number or name"))
    if not roles & set(UNITS):
        problems.append(("readings", "say which columns hold readings"))
    return problems


def _repeated(columns: Sequence[Column]) -> list[tuple[str, str]]:
    problems = []
    roles = Counter(c.role for c in columns if c.role not in ("", "ignore"))
    for role, count in roles.items():
        if count > 1:
            what = BY_NAME[role].label if role in BY_NAME else role.replace("_", " ")
            headers = " and ".join(f"'{c.header}'" for c in columns if c.role == role)
            problems.append((what, f"stands in {headers}; keep one"))
    repeated = Counter(folded(c.header) for c in columns if c.header)
    read = {folded(c.header) for c in columns if c.role not in ("", "ignore")}
    problems += [
        (header, "two columns have this header; rename one in the file")
        for header, count in repeated.items()
        if count > 1 and header in read
    ]
    return problems


def _limit_problems(column: Column) -> list[tuple[str, str]]:
    if not column.limit or column.role not in UNITS:
        return []
    number = _number(column.limit)
    if number is None or number <= 0:
        return [(column.header, f"{shown(column.limit)} is no detection limit; write a number above 0")]
    return []


def _number(text: str) -> float | None:
    plain = text.strip().replace(",", ".")
    return float(plain) if _PLAIN_NUMBER.fullmatch(plain) else None


def _format_problems(decisions: Decisions) -> list[tuple[str, str]]:
    problems = []
    if decisions.decimal_mark not in (".", ","):
        problems.append(("decimal mark", "choose point or comma"))
    if not decisions.day_format:
        problems.append(("date", "choose how the date is written"))
    roles = {c.role for c in decisions.columns}
    if "time" in roles and not decisions.clock_format:
        problems.append(("time", "choose how the time of day is written"))
    if "time" in roles and decisions.clock_format.startswith("T"):
        problems.append(("time", "a time with T before it stands in the date's column; choose another form"))
    if not decisions.clock_format and not decisions.assumed_time:
        problems.append(("time", "no time of day is written: say which one to assume, e.g. 12:00"))
    if not decisions.gas_volume_temperature and roles & set(GASES):
        problems.append(("gas volumes", "choose the temperature they are reported at; the report says it"))
    return problems


def _as_data(decisions: Decisions, grid: Grid, description: str) -> dict[str, Any]:
    """The profile as its file would hold it."""
    by_role = {c.role: c.header for c in decisions.columns}
    ignored = dict.fromkeys(c.header for c in decisions.columns if c.role in ("", "ignore") and c.header)
    form = decisions.day_format + decisions.clock_format
    return {
        "name": "made_by_hand",
        "description": description,
        "file": grid.file,
        "sheet": None if grid.sheets[:1] == (grid.sheet,) else grid.sheet,
        "layout": "wide",
        "encoding": grid.encoding,
        "delimiters": [grid.delimiter or ","],
        "header_within_rows": min(50, grid.header_place + ROOM_ABOVE),
        "decimal_mark": decisions.decimal_mark,
        "thousands_mark": decisions.thousands_mark or None,
        "gas_volume_temperature": int(_number(decisions.gas_volume_temperature or "0") or 0),
        "units_under_header": decisions.units_under_header,
        "not_measured": [w for w, means in decisions.words.items() if means == "not_measured"],
        "not_detected": [w for w, means in decisions.words.items() if means == "not_detected"],
        "zero": decisions.zero,
        "time": {
            "date": by_role["date"],
            "time": by_role.get("time"),
            "formats": [form],
            "assumed_time": decisions.assumed_time or None,
            "zone": "offset" if "%z" in form else decisions.zone,
            "repeated_hour": decisions.repeated_hour,
        },
        "unit": [{"column": by_role[role], "by": by} for role, by in _UNITS_BY.items() if role in by_role],
        "compartment": {
            "column": by_role.get("compartment"),
            "names": {w: name for w, name in decisions.compartments.items() if name},
            "default": decisions.default_compartment or None,
        },
        "laboratory_number": by_role.get("laboratory_number"),
        "remark": by_role.get("remark"),
        "readings": [_reading(c) for c in decisions.columns if c.role in UNITS],
        "ignored": list(ignored),
    }


def _reading(column: Column) -> dict[str, Any]:
    return {
        "column": column.header,
        "quantity": column.role,
        "unit": column.unit,
        "detection_limit": _number(column.limit) if column.limit else None,
        "optional": True,  # a later file may lack a column; a new or renamed one is still refused
    }
