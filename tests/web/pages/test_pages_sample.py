"""The pages that put things right: one sample, one file, their history, and everything that is refused."""

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
from app.web.server.templating import brief

DAY = (story.NOW - timedelta(days=2)).strftime("%d.%m.%Y")
CONTENT = story.laboratory_file(story.GOOD_ROW.format(day=DAY, number="77"))
WHO = {"author": "R. Oster", "reason": "digits swapped"}


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    settings = load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"})
    with TestClient(create_app(settings, told_database, story.clock), headers=HTML) as client:
        yield client


@pytest.fixture
def sample(client: TestClient) -> str:
    """The address of a sample that came with the file of these tests."""
    upload(client)
    found = re.search(r'href="(/samples/\d+)"', client.get(newest_file(client)).text)
    assert found
    return found[1]


def newest_file(client: TestClient) -> str:
    """The address of the file that came last."""
    found = re.search(r'href="(/files/\d+)"', client.get("/files").text)
    assert found
    return found[1]


def upload(client: TestClient) -> None:
    form = {"laboratory": "lab-orrin", "author": "R. Oster"}
    file = {"file": ("week.csv", CONTENT, "text/csv")}
    looked = client.post("/upload/preview", data=form, files=file)
    found = re.search(r'name="sha256" value="([0-9a-f]{64})"', looked.text)
    assert found, looked.text
    done = client.post("/upload/import", data={**form, "sha256": found[1]}, files=file)
    assert done.status_code == 200, done.text


def words(answer: Any, status: int = 200) -> str:
    """The visible words of a page, tags taken out and space squeezed."""
    assert answer.status_code == status, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


def form_of(answer: Any) -> dict[str, str]:
    """The fields of the form that corrects a sample, as the page fills them in."""
    part = answer.text.split('/edit"', 1)[1].split("</form>", 1)[0]
    return {
        name: value.replace("&lt;", "<")
        for name, value in re.findall(r'<input name="(\w+)"[^>]* value="([^"]*)"', part)
    }


def test_a_sample_page_says_what_it_is_and_where_it_came_from(client: TestClient, sample: str) -> None:
    said = words(client.get(sample))
    assert "BW-T3, main" in said
    assert "Orrin Oil Laboratory, laboratory, no. 77." in said
    assert re.search("Hydrogen µL/L ?7.5", said)
    assert "received with week.csv" in said
    assert "R. Oster" in said
    assert newest_file(client) in client.get(sample).text
    assert sample in client.get("/assets/BW-T3").text


def test_the_form_filled_in_as_the_page_gives_it_changes_nothing(client: TestClient, sample: str) -> None:
    """Every number of the form means the number that is stored."""
    sent = {**form_of(client.get(sample)), **WHO}
    assert sent["c2h2"] == "<0.5"
    assert "readings: nothing is changed" in words(client.post(f"{sample}/edit", data=sent), 422)


def test_a_correction_leads_to_the_revision_and_shows_old_and_new(client: TestClient, sample: str) -> None:
    sent = {**form_of(client.get(sample)), **WHO, "h2": "75"}
    answer = client.post(f"{sample}/edit", data=sent, follow_redirects=False)
    assert answer.status_code == 303
    said = words(client.get(answer.headers["location"]))
    assert "Corrected: this revision is in force now" in said
    assert "hydrogen 7.5 → 75 µL/L" in said
    assert "R. Oster edited digits swapped" in said
    assert "Superseded: revision 2 is in force." in words(client.get(sample))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("20.9649496844619", '<span title="20.9649496844619">20.96</span>'),
        ("<0.465909", '<span title="&lt;0.465909">&lt;\N{NARROW NO-BREAK SPACE}0.4659</span>'),
        ("12.5", "12.5"),
        ("12500", "12\N{NARROW NO-BREAK SPACE}500"),
        (None, "none"),
        ("<b>", "&lt;b&gt;"),
    ],
)
def test_old_and_new_values_are_told_in_four_figures(text: str | None, shown: str) -> None:
    assert str(brief(text)) == shown


def test_what_was_typed_stays_in_the_form_when_it_is_refused(client: TestClient, sample: str) -> None:
    sent = {**form_of(client.get(sample)), "h2": "7,5", "reason": "digits", "author": ""}
    answer = client.post(f"{sample}/edit", data=sent)
    said = words(answer, 422)
    assert "hydrogen: &#39;7,5&#39;" in said
    assert 'name="h2" inputmode="decimal" maxlength="40" autocomplete="off" value="7,5"' in answer.text
    assert 'value="digits"' in answer.text
    assert "author: say who does it" in words(client.post(f"{sample}/edit", data={**sent, "h2": "75"}), 422)


def test_a_sample_is_excluded_and_restored(client: TestClient, sample: str) -> None:
    excluded = words(client.post(f"{sample}/exclude", data={**WHO, "reason": "air bubble"}))
    assert "Excluded: the sample no longer counts" in excluded
    assert "by R. Oster: air bubble. It does not count and can be restored." in excluded
    assert "Correct what it says" not in excluded
    restored = words(client.post(f"{sample}/restore", data={**WHO, "reason": "there was none"}))
    assert "Restored: the sample counts again" in restored
    assert restored.index("there was none") < restored.index("air bubble")  # newest first
    assert "it is not excluded" in words(client.post(f"{sample}/restore", data=WHO), 422)


def test_a_sample_is_moved_to_another_unit_and_keeps_its_time(client: TestClient, sample: str) -> None:
    page = client.get(sample).text
    target = re.search(r'<option value="(\d+)">BW-T2 ', page)
    at = re.search(r'name="taken_at" required value="([^"]+)"', page)
    assert target
    assert at
    sent = {**WHO, "compartment_id": target[1], "taken_at": at[1]}
    answer = client.post(f"{sample}/move", data=sent)
    said = words(answer)
    assert "Moved: the sample stands here now" in said
    assert "BW-T2, main" in said
    assert "moved here from BW-T3, main (sample" in said
    assert "moved to BW-T2, main: digits swapped" in words(client.get(sample))


def test_a_sample_is_moved_in_time_in_the_time_of_its_site(client: TestClient, sample: str) -> None:
    target = re.search(r'<option value="(\d+)" selected>BW-T3 ', client.get(sample).text)
    assert target
    sent = {**WHO, "compartment_id": target[1], "taken_at": "2026-03-02T14:05"}
    moved = client.post(f"{sample}/move", data=sent)
    assert "Sample of 2026-03-02 14:05 EET" in words(moved)
    for wrong, reason in (
        ("2 March", "is not a date and time"),
        ("2026-03-29T03:30", "never was: the clock was put forward"),
        ("2099-01-01T00:00", "is in the future"),
    ):
        refused = client.post(f"{moved.url.path}/move", data={**sent, "taken_at": wrong})
        assert reason in words(refused, 422)


def test_a_place_that_was_not_offered_is_refused(client: TestClient, sample: str) -> None:
    for chosen in ("", "99999", "x"):
        sent = {**WHO, "compartment_id": chosen, "taken_at": "2026-03-02T14:05"}
        assert "choose where the sample was taken" in words(client.post(f"{sample}/move", data=sent), 422)


@pytest.mark.parametrize("number", ["999999", "0", "-1", "99999999999999999999999", "x"])
def test_samples_and_files_that_are_not_there(client: TestClient, number: str) -> None:
    for kind, step in (("samples", "exclude"), ("files", "undo")):
        for answer in (
            client.get(f"/{kind}/{number}"),
            client.post(f"/{kind}/{number}/{step}", data=WHO),
        ):
            assert answer.status_code == (404 if number == "999999" else 422)


def test_a_file_is_listed_kept_as_it_came_and_undone(client: TestClient, sample: str) -> None:
    assert "week.csv" in words(client.get("/files"))
    file = newest_file(client)
    kept = client.get(f"{file}/content")
    assert kept.content == CONTENT
    assert kept.headers["content-disposition"] == "attachment; filename*=UTF-8''week.csv"
    assert "reason: say why" in words(client.post(f"{file}/undo", data={"author": "R. Oster"}), 422)
    undone = words(client.post(f"{file}/undo", data={**WHO, "reason": "the wrong plant's file"}))
    assert "Undone: 1 sample excluded. What came after them was judged again." in undone
    assert "the file is undone" in undone
    assert "excluded, its whole file being undone" in words(client.get(sample))
    assert "undone already" in words(client.post(f"{file}/undo", data=WHO), 422)
    upload(client)
    assert "1 of them counts" in words(client.get(file))


def test_the_name_of_a_file_cannot_break_the_answer_s_headers(client: TestClient) -> None:
    form = {"laboratory": "lab-orrin", "author": "R. Oster"}
    file = {"file": ('we"ek\r\nX: 1 µ.csv', CONTENT, "text/csv")}
    looked = client.post("/upload/preview", data=form, files=file)
    found = re.search(r'name="sha256" value="([0-9a-f]{64})"', looked.text)
    assert found
    client.post("/upload/import", data={**form, "sha256": found[1]}, files=file)
    kept = client.get(f"{newest_file(client)}/content")
    assert kept.status_code == 200
    assert "x" not in kept.headers
    assert kept.headers["content-disposition"].isascii()


def test_a_form_of_another_site_is_refused(client: TestClient, sample: str) -> None:
    answer = client.post(f"{sample}/exclude", data=WHO, headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403


def test_a_form_that_is_too_long_is_refused_before_it_is_read(client: TestClient, sample: str) -> None:
    answer = client.post(f"{sample}/exclude", data={**WHO, "reason": "x" * 300_000})
    assert answer.status_code == 413
