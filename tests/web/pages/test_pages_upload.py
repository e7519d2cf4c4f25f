"""A laboratory's file over the pages: preview, import, and everything that is refused."""

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import story
from fastapi.testclient import TestClient
from fleet_cast import HTML

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app

FRAGMENT = {"HX-Request": "true", "HX-Target": "preview"}
DAY = (story.NOW - timedelta(days=2)).strftime("%d.%m.%Y")
GOOD = story.laboratory_file(story.GOOD_ROW.format(day=DAY, number="77"))
BAD = story.laboratory_file(story.BAD_ROW.format(day=DAY, number="78"))


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    with TestClient(
        create_app(
            load_settings({"ULLAGE_MAX_UPLOAD_BYTES": "100000", "ULLAGE_ALLOWED_HOSTS": "testserver"}),
            told_database,
            story.clock,
        )
    ) as client:
        yield client


def send(client: TestClient, step: str, content: bytes | None, **given: str) -> Any:
    form = {"laboratory": "lab-orrin", **{k: v for k, v in given.items() if k != "accept"}}
    files = None if content is None else {"file": ("week.csv", content, "text/csv")}
    return client.post(f"/upload/{step}", data=form, files=files, headers=HTML)


def digest(answer: Any) -> str:
    found = re.search(r'name="sha256" value="([0-9a-f]{64})"', answer.text)
    assert found, answer.text
    return found[1]


def known(client: TestClient) -> int:
    """Samples on the page of the unit that the file is about."""
    return client.get("/assets/BW-T3").text.count('<th scope="row" class="word"><a href="/samples/')


def test_a_preview_says_what_would_happen_and_stores_nothing(client: TestClient) -> None:
    before = known(client)
    answer = send(client, "preview", GOOD)
    assert answer.status_code == 200
    assert "<b>1</b> new, <b>0</b> already known" in answer.text
    assert "Import 1 row" in answer.text
    assert " 08:30 <span" in answer.text  # the site's time, as the laboratory wrote it
    assert known(client) == before


def test_an_import_stores_what_was_previewed_and_links_to_the_unit(client: TestClient) -> None:
    before = known(client)
    sha256 = digest(send(client, "preview", GOOD))
    answer = send(client, "import", GOOD, sha256=sha256, author="R. Oster")
    assert answer.status_code == 200
    assert "Imported by R. Oster" in answer.text
    assert 'href="/assets/BW-T3?compartment=main"' in answer.text
    assert known(client) == before + 1
    again = send(client, "import", GOOD, sha256=sha256, author="R. Oster")
    assert "<b>0</b> new, <b>1</b> already known" in again.text
    assert "This very file was imported before." in again.text
    assert known(client) == before + 1


def test_problems_are_named_by_line_and_column_and_nothing_is_stored(client: TestClient) -> None:
    before = known(client)
    answer = send(client, "preview", BAD)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))
    assert "2 problems. Nothing is stored." in text
    assert re.search(r"2 Methane \(ppm\) -5 ", text)
    assert re.search(r"2 Carbon monoxide \(ppm\) many ", text)
    assert "Import 1 row" not in text
    sha256 = re.search(r"sha256", answer.text)
    assert sha256 is None
    assert known(client) == before


def test_another_file_than_the_previewed_one_is_not_imported(client: TestClient) -> None:
    before = known(client)
    sha256 = digest(send(client, "preview", GOOD))
    changed = GOOD.replace(b"7,5", b"7,6")
    answer = send(client, "import", changed, sha256=sha256, author="R. Oster")
    assert answer.status_code == 422
    assert "not the file that was previewed" in answer.text
    assert digest(answer) != sha256
    assert known(client) == before


def test_an_import_needs_an_author(client: TestClient) -> None:
    before = known(client)
    sha256 = digest(send(client, "preview", GOOD))
    answer = send(client, "import", GOOD, sha256=sha256, author="  ")
    assert answer.status_code == 422
    assert "say who imports it" in answer.text
    assert known(client) == before


@pytest.mark.parametrize(
    ("content", "form", "status", "said"),
    [
        (None, {}, 422, "Choose the file."),
        (GOOD, {"laboratory": ""}, 422, "Choose the laboratory"),
        (GOOD, {"laboratory": "nobody"}, 200, "no laboratory has the code"),
        (b"", {}, 200, "Cannot be imported"),
        (b"\xff\xfe\x00", {}, 200, "Cannot be imported"),
        (b"PK\x03\x04 not a csv at all", {}, 200, "Cannot be imported"),
        (b"x" * 200_000, {}, 413, "larger than 100000 bytes"),
    ],
)
def test_what_cannot_be_read_is_answered_in_words(
    client: TestClient, content: bytes | None, form: dict[str, str], status: int, said: str
) -> None:
    answer = send(client, "preview", content, **form)
    assert answer.status_code == status
    assert said in answer.text


def test_a_form_of_unknown_length_is_refused(client: TestClient) -> None:
    def pieces() -> Iterator[bytes]:
        yield b"--x\r\n"

    headers = {**HTML, "Content-Type": "multipart/form-data; boundary=x"}
    answer = client.post("/upload/preview", content=pieces(), headers=headers)
    assert answer.status_code == 411
    assert "Content-Length" in answer.text


def test_a_broken_form_is_refused(client: TestClient) -> None:
    headers = {**HTML, "Content-Type": "multipart/form-data; boundary=x"}
    answer = client.post("/upload/preview", content=b"--y\r\nnonsense", headers=headers)
    assert answer.status_code in {400, 422}


def test_htmx_gets_the_outcome_alone_and_reads_errors_in_it(client: TestClient) -> None:
    files = {"file": ("week.csv", GOOD, "text/csv")}
    answer = client.post("/upload/preview", data={"laboratory": ""}, files=files, headers=FRAGMENT)
    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert "Choose the laboratory" in answer.text


def test_a_file_name_is_shown_as_text(client: TestClient) -> None:
    files = {"file": ("<b>x</b>.csv", GOOD, "text/csv")}
    answer = client.post("/upload/preview", data={"laboratory": "lab-orrin"}, files=files, headers=HTML)
    assert "&lt;b&gt;x&lt;/b&gt;.csv" in answer.text


def test_the_page_can_ask_how_far_its_upload_has_got(client: TestClient) -> None:
    nothing = client.get("/upload/progress/nobody").json()
    assert nothing == {"step": "", "done": 0, "total": 0}
    send(client, "preview", GOOD, ticket="t1")
    assert client.get("/upload/progress/t1").json() == {"step": "judging", "done": 1, "total": 1}
