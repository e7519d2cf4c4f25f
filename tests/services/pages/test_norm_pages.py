"""Every table of limits is shown, under a title, with its source."""

from importlib.resources import files

from app.domain.judging.methods import METHODS
from app.domain.judging.norms import NORM_SET
from app.services.pages.norm_pages import LISTED, norm_tables


def test_every_table_has_a_title_and_every_title_a_table() -> None:
    found = {entry.name.removesuffix(".csv") for entry in files("app.science.tables").iterdir()}
    tables = {name for name in found if not name.startswith("__")}
    assert set(LISTED) == tables - {NORM_SET}


def test_the_tables_of_every_method_are_shown() -> None:
    shown = {table.key: table.title for table in norm_tables()}
    for method in METHODS:
        assert {name: shown[name] for name in method.tables} == dict(method.tables)
