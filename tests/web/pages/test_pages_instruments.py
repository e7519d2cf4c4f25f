"""The page of instruments, and how alerts about instruments and sites are shown and handled."""

from collections.abc import Iterator
from datetime import timedelta

import pytest
import story
from fastapi.testclient import TestClient

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    with TestClient(
        create_app(load_settings({}), told_database, story.clock), base_url="http://localhost"
    ) as found:
        yield found


def text(client: TestClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return " ".join(answer.text.split())


def rows(client: TestClient, path: str) -> list[str]:
    return [part.split("</tr>")[0] for part in text(client, path).split('<tr class="row-')[1:]]


def test_instruments_are_listed_worst_first_with_word_and_number(client: TestClient) -> None:
    found = rows(client, "/instruments")
    codes = ["mon-sp-t9", "mon-sp-r2", "mon-bw-t1"]
    words = ["2 silent", "never heard", "0 on time"]
    for row, code, word in zip(found, codes, words, strict=True):
        assert f'href="/instruments/{code}"' in row
        assert word in row
    assert "30 h ago" in found[0]
    assert "every 4 h" in found[0]
    assert "Instrument silent: unacknowledged" in found[0]
    assert "nothing posted since it was registered" in found[1]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("?state=silent", ["mon-sp-t9"]),
        ("?site=brackwater", ["mon-bw-t1"]),
        ("?site=sandry&state=never_heard", ["mon-sp-r2"]),
        ("?site=sandry&state=on_time", []),
    ],
)
def test_they_can_be_narrowed_by_site_and_state(client: TestClient, query: str, expected: list[str]) -> None:
    found = rows(client, f"/instruments{query}")
    assert [row.split("/instruments/")[1].split('"')[0] for row in found] == expected


def test_an_unknown_state_is_refused_and_named(client: TestClient) -> None:
    answer = client.get("/instruments?state=asleep", headers={"accept": "text/html"})
    assert answer.status_code == 422
    assert "state" in answer.text


def test_the_list_of_alerts_names_instrument_and_site(client: TestClient) -> None:
    page = text(client, "/alerts")
    assert "<b>mon-sp-t9</b> Hydrogen monitor SP-T9" in page
    assert '<b>Sandry Plant</b></a> <span class="quiet">all its instruments' in page
    assert page.index("<b>Sandry Plant</b>") < page.index("<b>mon-sp-t9</b>")


def test_an_alert_of_a_site_lists_its_instruments(client: TestClient) -> None:
    page = text(client, "/alerts/6")
    assert "Site silent" in page
    assert 'href="/instruments/mon-sp-t9"' in page
    assert "2 silent" in page


def test_an_alert_of_an_instrument_is_acknowledged_and_shelved_like_any_other(client: TestClient) -> None:
    headers = {"origin": "http://localhost"}
    done = client.post("/alerts/5/acknowledge", data={"author": "P. Lanner", "note": "link"}, headers=headers)
    assert done.status_code == 200
    assert "acknowledged by P. Lanner" in text(client, "/alerts/5")
    until = (story.NOW + timedelta(days=30)).date().isoformat()
    form = {"author": "P. Lanner", "note": "new modem ordered", "until": until}
    assert client.post("/alerts/5/shelve", data=form, headers=headers).status_code == 200
    page = text(client, "/alerts/5")
    assert "shelved until <time" in page
    assert until in page


def test_fleet_and_unit_say_that_the_instrument_is_silent(client: TestClient) -> None:
    assert "instrument mon-sp-t9 silent</a> since" in text(client, "/")
    unit = text(client, "/assets/SP-T9")
    assert "instrument mon-sp-t9 silent</a> since" in unit
    assert "it does not watch this compartment now" in unit
    assert "it does not watch" not in text(client, "/assets/BW-T1")
