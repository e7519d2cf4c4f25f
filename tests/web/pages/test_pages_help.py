"""The help as the server shows it: pages, search, links from other pages; it stands when the database is gone."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from markupsafe import escape

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app
from app.web.help.book import book

NAMES = sorted(set(book().pages) - {"index"})


@pytest.fixture(scope="module")
def client(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    path = tmp_path_factory.mktemp("help") / "ullage.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), database)
    yield TestClient(app, headers={"Accept": "text/html"})
    database.dispose()


@pytest.mark.parametrize("name", NAMES)
def test_every_page_is_shown_with_the_list_of_all(client: TestClient, name: str) -> None:
    answer = client.get(f"/help/{name}")
    page = book().pages[name]
    assert answer.status_code == 200
    assert page.html in answer.text
    assert f"<title>{page.title} · Help · Ullage</title>" in answer.text
    assert f'<a href="/help/{name}" aria-current="page">{page.title}</a>' in answer.text
    for other in NAMES:
        assert f'href="/help/{other}"' in answer.text


def test_the_first_page_lists_all_and_the_last_has_no_next(client: TestClient) -> None:
    first = client.get("/help").text
    assert '<a href="/help" aria-current="page">Help</a>' in first
    assert 'Next: <a href="/help/set-up">' in first
    assert "Next:" not in client.get("/help/commands").text


def test_every_page_leads_to_the_help(client: TestClient) -> None:
    for path in ("/", "/alerts", "/instruments", "/upload", "/mail", "/about/norms", "/help/words"):
        assert '<a href="/help"' in client.get(path).text


def test_search_shows_the_passage_and_leads_to_its_heading(client: TestClient) -> None:
    answer = client.get("/help/search", params={"q": "own limits"}).text
    assert '<a href="/help/fleet#your-own-limits">Describe the fleet › Your own limits</a>' in answer
    assert "<mark>limits</mark>" in answer
    assert 'value="own limits"' in answer


@pytest.mark.parametrize(
    "query", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "'; --", "{{ 7*7 }}"]
)
def test_what_is_asked_for_is_shown_and_not_run(client: TestClient, query: str) -> None:
    answer = client.get("/help/search", params={"q": query}).text
    assert f"“{escape(query)}”" in answer
    assert query == str(escape(query)) or query not in answer


def test_an_empty_search_and_one_without_result_say_what_to_do(client: TestClient) -> None:
    assert "Type one word or several" in client.get("/help/search").text
    assert "Type one word or several" in client.get("/help/search?q=%20").text
    assert "Nothing in the help fits “qqqq”" in client.get("/help/search?q=qqqq").text


@pytest.mark.parametrize(
    "path", ["/help/nothing", "/help/index", "/help/INDEX", "/help/alerts.md", "/help/..%2Fconfig"]
)
def test_a_page_that_is_not_there_is_not_found(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


def test_a_query_that_is_too_long_or_no_text_is_refused(client: TestClient) -> None:
    assert client.get("/help/search", params={"q": "x" * 201}).status_code == 422
    assert client.get("/help/search", params={"q": "a\x00b"}).status_code == 422


def test_the_help_stands_when_the_database_is_gone(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'without_a_table.db'}")
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), database)
    client = TestClient(app, headers={"Accept": "text/html"}, raise_server_exceptions=False)
    assert client.get("/").status_code >= 500
    assert client.get("/help").status_code == 200
    assert client.get("/help/watch").status_code == 200
    assert client.get("/help/search?q=backup").status_code == 200
    database.dispose()
