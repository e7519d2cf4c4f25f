"""The pages on both databases: what they say, what they refuse, and what every answer carries."""

import json
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
import story
from fastapi.testclient import TestClient
from fleet_cast import HTML

from app.config import load_settings
from app.domain.judging.methods import TITLES
from app.store.database import Database
from app.store.schema import heartbeats, messages
from app.web.app import create_app
from app.web.server.static_files import FOLDER, static_url

NOW: datetime = story.NOW
DRAWN = ("Duval triangle 1", "Duval pentagon 1")


@pytest.fixture
def empty(database: Database) -> Iterator[TestClient]:
    settings = load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"})
    with TestClient(create_app(settings, database, story.clock)) as client:
        yield client


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    settings = load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"})
    with TestClient(create_app(settings, told_database, story.clock)) as client:
        yield client


def words(answer: Any) -> str:
    """The visible words of a page, tags taken out and space squeezed."""
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


# --- fleet ------------------------------------------------------------------------------------------------


def test_an_empty_fleet_says_how_to_fill_it(empty: TestClient) -> None:
    said = words(empty.get("/"))
    assert "The fleet is empty" in said
    assert "Mail worker: never seen. No alerts are being mailed." in said


def test_the_fleet_is_listed_worst_first_with_the_reason(client: TestClient) -> None:
    answer = client.get("/")
    order = re.findall(r'<th scope="row"[^>]*><a href="/assets/([^?]+)\?', answer.text)
    assert order[:3] == ["BW-T1", "BW-T2", "SP-T7"]
    assert set(order[-2:]) == {"BW-T1", "SP-R2"}  # the tap changer and the reactor have no sample yet
    said = words(answer)
    assert "3 high" in said
    assert "D2 high-energy discharge." in said
    rise = "C2H2 rose by 84 µL/L against the sample of 2025-11-09, which is extreme (from 35 µL/L on)"
    assert f"{rise}: investigate at once." in said
    assert "7 of 7 units" in said
    assert "Mail worker: alive" in said


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("q=rectifier", {"SP-T7"}),
        ("q=sandry+line", {"SP-R2"}),
        ("q=S-BW-T2-417", {"BW-T2"}),
        ("q=100%25", set()),  # a percent sign is a letter, not a wildcard
        ("site=sandry", {"SP-T7", "SP-R2", "SP-T9"}),
        ("status=3", {"BW-T1", "BW-T2"}),
        ("status=2&site=sandry", {"SP-T7"}),
        ("status=none", {"BW-T1", "SP-R2"}),
    ],
)
def test_the_fleet_can_be_narrowed(client: TestClient, query: str, expected: set[str]) -> None:
    answer = client.get(f"/?{query}")
    assert set(re.findall(r'href="/assets/([^?"]+)', answer.text)) == expected


def test_htmx_gets_the_list_alone(client: TestClient) -> None:
    answer = client.get("/?q=T7", headers={"HX-Request": "true", "HX-Target": "fleet-list"})
    assert answer.text.lstrip().startswith("<section")
    assert "<html" not in answer.text


def test_a_search_text_is_shown_as_text(client: TestClient) -> None:
    answer = client.get("/", params={"q": "<script>alert(1)</script>"})
    assert "<script>alert" not in answer.text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in answer.text


@pytest.mark.parametrize("query", ["page=0", "page=x", "status=9", "site=" + "a" * 201])
def test_a_bad_query_is_refused_and_named(client: TestClient, query: str) -> None:
    answer = client.get(f"/?{query}", headers=HTML)
    assert answer.status_code == 422
    assert f"query.{query.split('=')[0]}" in answer.text


# --- asset ------------------------------------------------------------------------------------------------


def test_the_verdict_says_what_why_and_what_next(client: TestClient) -> None:
    said = words(client.get("/assets/BW-T1"))
    assert "3 high D2 high-energy discharge" in said
    rise = "C2H2 rose by 84 µL/L against the sample of 2025-11-09"  # the oldest of four months
    assert f"{rise}, which is extreme (from 35 µL/L on): investigate at once." in said
    assert f"{rise} (any increase that can be measured counts)." in said
    assert "IEEE C57.104-2019, 6.1.3 Table 2" in said
    assert "by 2026-03-07, 4 days late Investigate at once" in said  # drawn on the 6th, 20:03, plus a day
    assert "common practice; IEEE C57.104-2019, 6.1.2 gives no day count" in said
    assert "positive pressure" in said
    assert "The newest on-line reading" in said


def test_the_evidence_shows_value_limit_and_rate_of_each_gas(client: TestClient) -> None:
    page = client.get("/assets/BW-T1").text
    table = page.split("Gases of")[1].split("</table>")[0]
    row = next(r for r in table.split("<tr>") if "acetylene" in r)
    cells = [re.sub(r"<[^>]+>", "", c).strip() for c in re.findall(r"<td[^>]*>(.*?)</td>", row, re.S)]
    # IEEE C57.104-2019 Tables 1 to 4, O2/N2 > 0.2, 10-30 years: 2, 7, any increase, any increasing rate
    assert cells[:4] == ["103", "2", "7", "▲ above Table 2"]
    assert cells[4:7] == ["64", "+39 ▲", "any rise"]
    assert cells[9] == "any rise"


def test_a_censored_reading_is_never_shown_as_a_number(client: TestClient) -> None:
    said = words(client.get("/assets/BW-T3"))
    assert "acetylene &lt; 0.5 1 2 within Table 1" in said


def test_excluded_and_superseded_samples_stay_visible_with_their_reason(client: TestClient) -> None:
    said = words(client.get("/assets/BW-T1?compartment=main&show=laboratory"))
    assert "by M. Reader: air bubble in the syringe" in said
    assert "revision 1, superseded" in said


def test_the_worse_compartment_is_shown_first_and_the_other_is_a_tab(client: TestClient) -> None:
    answer = client.get("/assets/BW-T1")
    assert 'href="?compartment=tap"' in answer.text
    assert "No sample of this compartment yet" in words(client.get("/assets/BW-T1?compartment=tap"))


def test_samples_go_on_page_by_page(client: TestClient) -> None:
    address = "/assets/SP-T9?compartment=main&show=instrument"
    seen: list[str] = []
    for _ in range(9):
        page = client.get(address, headers={"HX-Request": "true", "HX-Target": "history"})
        assert "<html" not in page.text
        seen += re.findall(r'<th scope="row" class="word"><a [^>]+><time datetime="([^"]+)"', page.text)
        found = re.search(r'class="button" href="([^"#]+)', page.text)
        if not found:
            break
        address = "/assets/SP-T9" + found[1].replace("&amp;", "&")
    assert len(seen) == len(set(seen)) == 240
    assert seen == sorted(seen, reverse=True)


@pytest.mark.parametrize(
    ("address", "status", "said"),
    [
        ("/assets/NOPE", 404, "There is no asset"),
        ("/assets/BW-T1?compartment=attic", 404, "it has: main, tap"),
        ("/assets/BW-T1?before=2026-01-01T00:00:00", 422, "give the time with its zone"),
        ("/assets/BW-T1?before=soon", 422, "query.before"),
        ("/assets/BW-T1/figures/trend?compartment=main&range=9y", 422, "query.range"),
        ("/assets/BW-T1/figures/trend?compartment=attic", 404, "no such compartment"),
        ("/alerts/999", 404, "There is no alert 999"),
        ("/alerts?state=sleepy", 422, "query.state"),
        ("/mail/999", 404, "There is no message 999"),
        ("/mail/x", 422, "path.message_id"),
        ("/nowhere", 404, "nothing at this address"),
    ],
)
def test_a_wrong_address_is_answered_with_what_is_wrong(
    client: TestClient, address: str, status: int, said: str
) -> None:
    answer = client.get(address, headers=HTML)
    assert answer.status_code == status
    assert said in answer.text
    assert "Mail worker" in answer.text  # it is a page like the others


def test_trend_figures_mark_what_is_below_and_draw_both_kinds_of_source(client: TestClient) -> None:
    answer = client.get("/assets/BW-T1/figures/trend?compartment=main&range=5y").json()
    gases = {item["quantity"]: item for item in answer["figures"]}
    acetylene = gases["c2h2"]["figure"]["data"]
    assert {trace["name"] for trace in acetylene} == {"laboratory", "on-line"}
    laboratory = next(trace for trace in acetylene if trace["name"] == "laboratory")
    assert laboratory["marker"]["symbol"][:3] == ["star-open"] * 3
    assert max(laboratory["y"]) == 103  # the excluded and the superseded sample are not drawn
    assert max(next(t for t in gases["h2"]["figure"]["data"] if t["name"] == "laboratory")["y"]) == 188
    assert "daily medians" in " ".join(answer["notes"])
    month = client.get("/assets/BW-T1/figures/trend?compartment=main&range=1m").json()
    online = next(t for t in month["figures"][0]["figure"]["data"] if t["name"] == "on-line")
    assert len(online["x"]) == 187  # 31 days of six readings, both ends included


def test_a_unit_s_page_tells_every_method_and_draws_those_that_have_a_picture(client: TestClient) -> None:
    page = client.get("/assets/BW-T1").text
    table = page.split("<caption>Methods on this sample</caption>")[1].split("</table>")[0]
    told = re.findall(r'<tr><th scope="row">([^<]+)</th><td>', table)
    alone = [
        f"{title}, new gas since the {since}"
        for since in ("last believed sample", "baseline")
        for title in DRAWN
    ]
    assert told == [*TITLES.values(), *alone]
    assert re.findall(r"<figcaption><b>([^<]+)</b>", page) == list(DRAWN)
    drawn = client.get("/assets/BW-T1/figures/diagrams?compartment=main").json()["figures"]
    assert re.findall(r'data-diagram="([^"]+)"', page) == [figure["key"] for figure in drawn]


def test_diagrams_end_at_the_newest_sample(client: TestClient) -> None:
    answer = client.get("/assets/BW-T1/figures/diagrams?compartment=main").json()
    triangle, pentagon = answer["figures"]
    path = triangle["figure"]["data"][-1]
    total = 77 + 112 + 103
    assert path["a"][-1] == pytest.approx(100 * 77 / total)
    assert path["c"][-1] == pytest.approx(100 * 112 / total)
    assert pentagon["count"] == 8


def test_an_instrument_of_two_gases_has_no_place_in_the_diagrams(client: TestClient) -> None:
    answer = client.get("/assets/SP-T9/figures/diagrams?compartment=main").json()
    assert [figure["count"] for figure in answer["figures"]] == [0, 0]


# --- alerts -----------------------------------------------------------------------------------------------


def alert_of(client: TestClient, code: str) -> str:
    page = client.get("/alerts").text
    article = next(a for a in page.split("<article") if f"<b>{code}</b>" in a)
    found = re.search(r'href="(/alerts/\d+)"', article)
    assert found
    return found[1]


def test_an_alert_is_acknowledged_with_a_name_and_keeps_its_history(client: TestClient) -> None:
    alert = alert_of(client, "BW-T1")
    answer = client.post(f"{alert}/acknowledge", data={"author": "R. Oster", "note": "crew told"})
    said = words(answer)
    assert "Acknowledged." in said
    assert "acknowledged by R. Oster" in said
    assert "R. Oster: crew told" in said
    again = client.post(f"{alert}/acknowledge", data={"author": "R. Oster"}, headers=HTML)
    assert again.status_code == 422
    assert "nothing to acknowledge" in again.text


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"author": "", "note": "x", "until": "2099-01-01"}, "say who shelves it"),
        ({"author": "A", "note": "", "until": "TOMORROW"}, "is not a day; write it as 2026-12-31"),
        ({"author": "A", "note": "", "until": "IN 9 DAYS"}, "say why it is shelved"),
        ({"author": "A", "note": "x", "until": "2001-01-01"}, "must be in the future"),
        ({"author": "A", "note": "x", "until": "2099-01-01"}, "at most 400 days"),
    ],
)
def test_shelving_without_a_good_end_author_and_reason_is_refused(
    client: TestClient, form: dict[str, str], said: str
) -> None:
    if form["until"] == "IN 9 DAYS":
        form = {**form, "until": (NOW + timedelta(days=9)).date().isoformat()}
    alert = alert_of(client, "BW-T1")
    answer = client.post(f"{alert}/shelve", data=form, headers=HTML)
    assert answer.status_code == 422
    assert said in answer.text
    assert "tag-unacknowledged" in client.get(alert).text


def test_a_shelf_lasts_to_the_end_of_the_sites_day(client: TestClient) -> None:
    day = (NOW + timedelta(days=20)).date().isoformat()
    form = {"until": day, "author": "R. Oster", "note": "outage booked"}
    said = words(client.post(f"{alert_of(client, 'SP-T7')}/shelve", data=form))
    assert f"shelved until {day} 23:59 A" in said  # AST or ADT: Halifax, not UTC
    assert "R. Oster: outage booked" in said


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
    ],
)
def test_a_form_sent_from_another_site_is_refused(client: TestClient, headers: dict[str, str]) -> None:
    alert = alert_of(client, "BW-T1")
    answer = client.post(f"{alert}/acknowledge", data={"author": "Mallory"}, headers=headers)
    assert answer.status_code == 403
    assert "Refused" in answer.text
    assert "Mallory" not in client.get(alert).text


def test_a_form_of_our_own_page_passes(client: TestClient) -> None:
    headers = {"Sec-Fetch-Site": "same-origin", "Origin": "http://testserver"}
    answer = client.post(
        f"{alert_of(client, 'BW-T1')}/acknowledge", data={"author": "R. Oster"}, headers=headers
    )
    assert answer.status_code == 200
    older = {"Origin": "http://testserver"}
    day = (NOW + timedelta(days=20)).date().isoformat()
    form = {"until": day, "author": "R. Oster", "note": "outage"}
    assert client.post(f"{alert_of(client, 'SP-T7')}/shelve", data=form, headers=older).status_code == 200


# --- mail, norms, health, headers -------------------------------------------------------------------------


def test_the_outbox_is_listed_by_state_and_a_failure_says_why(client: TestClient) -> None:
    assert words(client.get("/mail")).count("planner@example.org") == 3
    failed = words(client.get("/mail?state=failed"))
    assert failed.count("planner@example.org") == 1
    assert "after 8 tries: 550 no such mailbox" in failed
    assert "No mail" not in failed


def test_a_mail_is_shown_in_a_sandbox_and_comes_as_a_file(client: TestClient) -> None:
    page = client.get("/mail/1")
    assert re.search(r'<iframe sandbox src="/mail/1/html"', page.text)
    frame = client.get("/mail/1/html")
    assert "sandbox" in frame.headers["content-security-policy"]
    assert "script-src" not in frame.headers["content-security-policy"]
    assert frame.headers["x-frame-options"] == "SAMEORIGIN"
    file = client.get("/mail/1/mail.eml")
    mail = message_from_bytes(file.content, policy=policy.default)
    assert mail["To"] == "planner@example.org"
    assert mail["Subject"].startswith("[Ullage] BW-T1")
    assert mail["References"] == "<alert-1@ullage.example.org>"
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


def test_a_mail_that_cannot_be_written_is_told_and_no_file(
    client: TestClient, told_database: Database
) -> None:
    with told_database.write() as connection:
        connection.execute(sa.update(messages).values(to_address="not an address"))
    answer = client.get("/mail/1/mail.eml")
    assert answer.status_code == 409
    assert "'not an address' is not a mail address" in answer.json()["detail"]


def test_every_norm_is_shown_with_its_source(client: TestClient) -> None:
    page = client.get("/about/norms")
    said = words(page)
    table = re.sub(r"<[^>]+>", " ", page.text.split('id="table-2"')[1].split("</section>")[0]).split()
    # IEEE C57.104-2019 Table 2: H2 200 200 200 200 90 90 90 90
    start = table.index("H")
    assert table[start : start + 10] == ["H", "2", *["200"] * 4, *["90"] * 4]
    assert "doubtful cell: read as 30" in said
    assert "from memory" in said
    for name in ("Duval triangle 1", "IEC 60599", "Doernenburg", "Solubility of water", "What to do next"):
        assert name in said


def test_health_tells_of_the_database_the_worker_and_the_mail(client: TestClient) -> None:
    found = client.get("/health").json()
    assert found["database"] == "ok"
    assert found["worker_heartbeat_age_seconds"] == 2.0
    assert found["failed_messages"] == 1
    assert found["queued_messages"] == 1
    assert found["oldest_unsent_message_age_seconds"] == 180.0
    assert found["status"] == "degraded"


def test_health_is_ok_when_a_worker_is_alive_and_no_mail_waits(empty: TestClient, database: Database) -> None:
    assert empty.get("/health").json()["status"] == "degraded"  # no worker has ever run
    with database.write() as connection:
        connection.execute(sa.insert(heartbeats).values(worker="w", at=NOW))
    assert empty.get("/health").json()["status"] == "ok"
    with database.write() as connection:
        connection.execute(sa.update(heartbeats).values(at=NOW - timedelta(minutes=5)))
    assert empty.get("/health").json()["status"] == "degraded"
    assert "Mail worker: silent for 5 min. No alerts are being mailed." in words(empty.get("/"))


def test_health_says_when_the_database_does_not_answer(tmp_path: Path) -> None:
    lost = Database(f"sqlite:///{tmp_path}/folder/ullage.db")
    (tmp_path / "folder").rmdir()
    with TestClient(create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), lost)) as client:
        answer = client.get("/health")
    lost.dispose()
    assert answer.status_code == 503
    assert answer.json() == {"status": "down", "database": "OperationalError"}


EVERY_KIND = [
    "/",
    "/assets/BW-T1",
    "/alerts",
    "/alerts/1",
    "/mail",
    "/mail/1",
    "/upload",
    "/files",
    "/samples/1",
]
EVERY_KIND += [
    "/about/norms",
    "/health",
    "/pulse",
    "/no",
    "/?q=%00",
    "/exports/samples.csv",
    "/api/openapi.json",
]
EVERY_KIND += ["/assets/BW-T1/figures/trend?compartment=main", "/mail/1/mail.eml", "/api/v1/assets"]


@pytest.mark.parametrize("address", EVERY_KIND)
def test_every_answer_carries_the_security_headers(client: TestClient, address: str) -> None:
    answer = client.get(address, headers=HTML)
    csp = answer.headers["content-security-policy"]
    assert "script-src 'self';" in csp
    assert "unsafe-eval" not in csp
    assert "frame-ancestors 'none'" in csp
    assert answer.headers["x-frame-options"] == "DENY"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"
    if answer.headers["content-type"].startswith("text/html"):
        assert not re.search(r"<script(?![^>]*\bsrc=)", answer.text)
        assert not re.search(r"\son[a-z]+=", answer.text)


def test_only_the_frame_of_a_mail_may_be_framed_and_only_by_this_site(client: TestClient) -> None:
    answer = client.get("/mail/1/html")
    assert answer.status_code == 200
    assert "frame-ancestors 'self'; sandbox" in answer.headers["content-security-policy"]
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["x-frame-options"] == "SAMEORIGIN"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "same-origin"


def test_a_failure_carries_the_security_headers_too(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError("the shelf fell down")

    monkeypatch.setattr("app.web.pages.alerts.alert_groups", fail)
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), database)
    for accept in ("text/html", "application/json"):
        answer = TestClient(app, raise_server_exceptions=False).get("/alerts", headers={"Accept": accept})
        assert answer.status_code == 500
        assert "shelf" not in answer.text
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"


def test_static_files_are_kept_for_a_year_under_the_hash_of_their_content(client: TestClient) -> None:
    page = client.get("/assets/BW-T1").text
    addresses = re.findall(r'(?:src|href)="(/static/[^"]+)"', page)
    assert len(addresses) == 6
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    assert static_url("ullage.css") in addresses
    assert client.get("/static/0000000000/../../app.py").status_code == 404
    assert client.get("/static/0000000000/missing.css").status_code == 404


def test_vendored_scripts_stand_beside_their_licences_and_versions() -> None:
    told = (FOLDER / "vendor" / "README.md").read_text(encoding="utf-8")
    for name, version, licence in (
        ("plotly-cartesian.min.js", "4.1.1", "plotly-cartesian.LICENSE.txt"),
        ("htmx.min.js", "2.0.11", "htmx.LICENSE.txt"),
    ):
        assert f"`{name}`" in told
        assert version in told
        assert (FOLDER / "vendor" / licence).stat().st_size > 100
        assert version in (FOLDER / "vendor" / name).read_text(encoding="utf-8")


def test_figures_are_valid_json_without_nan(client: TestClient) -> None:
    for code in ("BW-T1", "BW-T2", "BW-T3", "SP-T7", "SP-T9", "SP-R2"):
        for kind in ("trend", "diagrams"):
            answer = client.get(f"/assets/{code}/figures/{kind}?compartment=main")
            assert answer.status_code == 200
            json.loads(answer.text, parse_constant=lambda text: pytest.fail(f"{text} in a figure"))
