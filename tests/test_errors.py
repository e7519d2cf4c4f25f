"""Every exception of ours stands in the one tree of app/errors.py, below a branch, and says what it is."""

import ast
import importlib

import pytest
from fleet_cast import PROJECT

from app.errors import GivenError, OutsideError, RefusedError, UllageError, UnknownError

BRANCHES = (GivenError, UnknownError, RefusedError, OutsideError)
PYTHON = {"Exception", "ValueError", "LookupError", "RuntimeError", "KeyError", "TypeError", "OSError"}


def own_exceptions() -> list[tuple[str, str]]:
    """(module, class) of every class of ours that is raised: by its bases, read from the source."""
    found, names = [], set(PYTHON) | {branch.__name__ for branch in BRANCHES}
    classes = []
    for path in sorted((PROJECT / "app").rglob("*.py")):
        if "sender" in path.parts or path.name == "errors.py":
            continue
        module = ".".join(path.relative_to(PROJECT).with_suffix("").parts)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                bases = {base.id for base in node.bases if isinstance(base, ast.Name)}
                classes.append((module.removesuffix(".__init__"), node.name, bases))
    grown = True
    while grown:
        grown = False
        for module, name, bases in classes:
            if (module, name) not in found and bases & names:
                found.append((module, name))
                names.add(name)
                grown = True
    return found


def test_there_are_exceptions_to_look_at() -> None:
    assert len(own_exceptions()) > 30


@pytest.mark.parametrize(("module", "name"), own_exceptions())
def test_an_exception_stands_below_a_branch_and_says_what_it_is(module: str, name: str) -> None:
    kind = getattr(importlib.import_module(module), name)
    assert issubclass(kind, UllageError)
    assert sum(issubclass(kind, branch) for branch in BRANCHES) == 1
    assert kind.__doc__


@pytest.mark.parametrize("branch", BRANCHES)
def test_the_tree_is_drawn_where_it_is_defined(branch: type[UllageError]) -> None:
    module = importlib.import_module("app.errors")
    assert f"── {branch.__name__} " in (module.__doc__ or "")
