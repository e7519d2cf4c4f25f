"""The examples of the help are run, one after the other as a reader would, and print what the page says."""

import contextlib
import io
import re
import shutil
from pathlib import Path

import pytest
from fleet_cast import PROJECT

PAGE = PROJECT / "app" / "help" / "analysis.md"
EXAMPLE = re.compile(r"```python\n(.*?)```\n\n```text\n(.*?)```", re.DOTALL)


@pytest.fixture
def notebook(told_sqlite: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that the examples are run in, with the database of the pages' story."""
    shutil.copy(told_sqlite, tmp_path / "ullage.db")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.usefixtures("notebook")
def test_the_examples_print_what_the_page_shows() -> None:
    text = PAGE.read_text(encoding="utf-8")
    examples = EXAMPLE.findall(text)
    assert len(examples) == text.count("```python") == text.count("```text") > 5
    names: dict[str, object] = {}
    for code, shown in examples:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, PAGE.name, "exec"), names)
        assert [line.rstrip() for line in printed.getvalue().splitlines()] == shown.splitlines()
