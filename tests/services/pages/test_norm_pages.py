"""Every table of limits is shown, under a title, with its source."""

from importlib.resources import files

from app.domain.judging.norms import NORM_SET
from app.services.pages.norm_pages import LISTED


def test_every_table_has_a_title_and_every_title_a_table() -> None:
    found = {entry.name.removesuffix(".csv") for entry in files("app.science.tables").iterdir()}
    tables = {name for name in found if not name.startswith("__")}
    assert set(LISTED) == tables - {NORM_SET}
