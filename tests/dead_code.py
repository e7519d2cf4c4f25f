"""What nothing in the program uses: `python -m tests.dead_code`, in `make check`. Use by a test alone does not count.

vulture reads the code; what it cannot see being used is told to it here, each kind with the reason.
"""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import vulture

PROJECT: Final = Path(__file__).parents[1]
CODE: Final = ("app", "migrations")
LEAST_CONFIDENCE: Final = 60

DECORATORS: Final = (
    "@*.command",  # typer calls them
    "@*.callback",
    "@router.*",  # FastAPI calls them
    "@field_validator",  # pydantic calls them
    "@model_validator",
)
BASES: Final = {
    "BaseModel",  # its fields are written to JSON or read from a file
    "StrEnum",  # members are found by their value
    "IntEnum",
    "Enum",
}
"""Classes whose members are used all at once."""
NAMES: Final = {
    "model_config": "pydantic reads it",
    "__call__": "says what may be called",
    "impl": "SQLAlchemy reads it",
    "cache_ok": "SQLAlchemy reads it",
    "process_bind_param": "SQLAlchemy calls it",
    "process_result_value": "SQLAlchemy calls it",
    "FLOOR_IN_DETECTION_LIMITS": "the calibration of the fault call reads it",
    "writeable": "numpy reads it",
    "since_baseline": "the increments' fields are walked",
    "upgrade": "Alembic calls it",
    "downgrade": "Alembic calls it",
    "down_revision": "Alembic reads it",
    "branch_labels": "Alembic reads it",
    "depends_on": "Alembic reads it",
}
_IN_TEMPLATE: Final = re.compile(r"\{[{%](.*?)[%}]\}", re.DOTALL)


def used_all_at_once(base: str, files: list[Path]) -> Iterator[str]:
    """The members of every class below one of these."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in files]
    classes = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
    known = {base}
    while found := {c.name for c in classes if c.name not in known and known & _bases(c)}:
        known |= found
    for one in classes:
        if one.name in known:
            for line in one.body:
                targets = line.targets if isinstance(line, ast.Assign) else [getattr(line, "target", None)]
                yield from (target.id for target in targets if isinstance(target, ast.Name))


def _bases(one: ast.ClassDef) -> set[str]:
    return {base.id for base in one.bases if isinstance(base, ast.Name)}


def in_templates() -> Iterator[str]:
    """Every word of the templates' code: pages and mails read what services give them."""
    for path in (path for path in (PROJECT / "app").rglob("templates/**/*") if path.is_file()):
        for code in _IN_TEMPLATE.findall(path.read_text(encoding="utf-8")):
            yield from re.findall(r"[A-Za-z_]\w*", code)


def unused() -> list[str]:
    """What is left, as lines with file and line."""
    files = [path for folder in CODE for path in (PROJECT / folder).rglob("*.py")]
    names = {*NAMES, *in_templates()}
    for base in BASES:
        names |= set(used_all_at_once(base, files))
    looker = vulture.Vulture(ignore_names=sorted(names), ignore_decorators=list(DECORATORS))
    looker.scavenge([str(PROJECT / folder) for folder in CODE])
    return [
        f"{item.filename.relative_to(PROJECT)}:{item.first_lineno}: {item.message}"
        for item in looker.get_unused_code(min_confidence=LEAST_CONFIDENCE)
    ]


if __name__ == "__main__":
    found = unused()
    sys.exit("\n".join(found) if found else 0)
