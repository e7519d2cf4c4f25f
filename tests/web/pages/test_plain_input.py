"""Whatever stands in an address or a form, no page fails: every page route, on both databases.

Ids beyond their column, times that have no form in UTC, NUL bytes (which PostgreSQL takes in no text), half
characters, and character sets that make them.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from itertools import cycle
from typing import Any
from urllib.parse import quote

import pytest
import story
from fastapi import FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app
from app.web.inputs.forms import FORM_BYTES
from app.web.inputs.parameters import PrintableText, UtcTime, text_fault

NUL = "%00"
HALF = "%ED%A0%80"  # how a half character (U+D800) would be written in UTF-8, were it allowed
IDS = ("0", "-1", "x", "1.5", str(2**31), str(2**63 - 1), str(2**63), "9" * 20, "9" * 5000, NUL, HALF)
TEXTS = (NUL, f"a{NUL}b", HALF, "%0A", "%C2%80", "%EF%BF%BF", "%F0%9F%98%80", "%", "'", "a" * 5000, "..%2F..")
TIMES = (
    "0001-01-01T00:00:00%2B14:00",
    "9999-12-31T23:59:59-14:00",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59.999999Z",
    "99999-01-01T00:00:00Z",
    "1e300",
    "-1e15",
    "9" * 20,
    NUL,
)
FIELDS = ["author", "note", "reason", "until", "laboratory", "sha256", "h2", "remark", "laboratory_number"]
FIELDS += [
    "compartment_id",
    "taken_at",
    "unit-text-0",
    "unit-is-0",
    "unit-code-0",
    "unit-name-0",
    "unit-site-0",
]
FIELDS += ["m-known", "m-code", "m-name", "m-shown", "m-encoding", "m-delimiter", "m-header"]
FIRST, LAST = datetime(1, 1, 1), datetime(9999, 12, 31, 23, 59, 59, 999999)  # noqa: DTZ001
GOOD = {
    "author": "M. Reader",
    "note": "seen",
    "reason": "air bubble",
    "until": "2099-01-01",
    "laboratory": "lab-orrin",
}


@pytest.fixture
def client(told_database: Database) -> Iterator[TestClient]:
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), told_database, story.clock)
    with TestClient(app, headers={"Accept": "text/html"}, raise_server_exceptions=False) as client:
        yield client


def pages(client: TestClient, method: str) -> list[APIRoute]:
    """Every route beside the programming interface that answers the method."""
    app = client.app
    assert isinstance(app, FastAPI)
    routers = [getattr(route, "original_router", None) for route in app.routes]
    routes = [route for router in routers if router is not None for route in router.routes]
    found = [r for r in routes if isinstance(r, APIRoute) and not r.path.startswith("/api/")]
    found = [route for route in found if method in (route.methods or ())]
    assert len(found) >= 10, found
    return found


def plain(route: APIRoute, **other: str) -> str:
    """The route's address with things that are there."""
    good = {"code": "BW-T1", "kind": "samples", "form": "csv"}
    names = [parameter.name for parameter in route.dependant.path_params]
    return route.path.format(**{name: other.get(name, good.get(name, "1")) for name in names})


def check(answer: Any, sent: str) -> None:
    assert answer.status_code < 500, (sent[:200], answer.text[:2000])


def test_no_address_of_a_page_makes_a_server_error(client: TestClient) -> None:
    seen = 0
    for route in pages(client, "GET"):
        for parameter in route.dependant.path_params:
            for bad in (*IDS, *TEXTS):
                address = plain(route, **{parameter.name: bad})
                check(client.get(address, follow_redirects=False), address)
                seen += 1
        needed = "&".join(
            f"{p.alias}=main" for p in route.dependant.query_params if p.field_info.is_required()
        )
        for parameter in route.dependant.query_params:
            for bad in (*IDS, *TEXTS, *TIMES):
                address = f"{plain(route)}?{needed}&{parameter.alias}={bad}"
                check(client.get(address, follow_redirects=False), address)
                seen += 1
    assert seen > 300, seen


def test_what_is_no_text_is_refused_in_every_form(client: TestClient) -> None:
    for route in pages(client, "POST"):
        for name, bad in zip(FIELDS, cycle(("\0", "a\0b", "\x1b", "\N{PADDING CHARACTER}")), strict=False):
            answer = client.post(plain(route), data={**GOOD, name: bad}, follow_redirects=False)
            assert answer.status_code == 422, (route.path, name, answer.status_code, answer.text)
            assert f"{name}: holds a control character (U+" in answer.text


def test_no_form_of_a_page_makes_a_server_error(client: TestClient) -> None:
    odd = ("\uffff", "\ufffd", "9" * 20, "9999-12-31", "0001-01-01", "0001-01-01T00:00", "é" * 9000)
    for route in pages(client, "POST"):
        for bad in odd:
            forms = [{**GOOD, name: bad} for name in GOOD]
            forms.append({**dict.fromkeys(FIELDS, bad), "author": "M. Reader", "reason": "typed over"})
            for form in forms:
                answer = client.post(plain(route), data=form, follow_redirects=False)
                check(answer, f"{route.path} {form}")
        for bad in IDS if route.dependant.path_params else ():
            address = plain(route, **{p.name: bad for p in route.dependant.path_params})
            check(client.post(address, data=GOOD, follow_redirects=False), address)


@pytest.mark.parametrize("name", ["author", "filename"])
def test_a_file_is_refused_with_what_is_no_text_beside_it(client: TestClient, name: str) -> None:
    filename = "a\0b.csv" if name == "filename" else "a.csv"
    body = "".join(
        f'--x\r\nContent-Disposition: form-data; name="{field}"{more}\r\n\r\n{text}\r\n'
        for field, more, text in (
            ("laboratory", "", "lab-orrin"),
            ("author", "", "a\0b" if name == "author" else "a"),
            ("file", f'; filename="{filename}"', "a;b\r\n1;2"),
        )
    )
    for route in pages(client, "POST"):
        if route.path.startswith("/upload"):
            headers = {"Content-Type": "multipart/form-data; boundary=x"}
            answer = client.post(route.path, content=f"{body}--x--\r\n", headers=headers)
            assert answer.status_code in {400, 422}, (route.path, answer.text)


@pytest.mark.parametrize(
    "charset", ["utf-7", "unicode_escape", "punycode", "idna", "hex", "utf-16", '"utf-7"']
)
def test_a_form_in_another_character_set_is_refused(client: TestClient, charset: str) -> None:
    body = '--x\r\nContent-Disposition: form-data; name="author"\r\n\r\n\\ud800+2AA-\r\n--x--\r\n'
    headers = {"Content-Type": f"multipart/form-data; boundary=x; charset={charset}"}
    for route in pages(client, "POST"):
        answer = client.post(plain(route), content=body, headers=headers)
        assert answer.status_code == 415, (route.path, answer.status_code, answer.text)
        assert "UTF-8" in answer.text


@pytest.mark.parametrize(
    ("length", "status"),
    [("0" * 30 + "26", 422), ("0" * 18 + str(FORM_BYTES + 1), 413), ("9" * 40, 413), ("-1", 411), ("²", 411)],
)
def test_the_whole_declared_length_counts(client: TestClient, length: str, status: int) -> None:
    headers = {"Content-Length": length, "Content-Type": "application/x-www-form-urlencoded"}
    raw = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
    answer = client.post("/alerts/1/acknowledge", content=b"author=&note=" + b"y" * 13, headers=raw)
    assert answer.status_code == status, answer.text


@pytest.mark.parametrize(
    ("address", "status", "told"),
    [
        ("/alerts/" + "9" * 20, 422, "alert_id"),
        ("/mail/" + "9" * 20, 422, "message_id"),
        ("/mail?before=" + "9" * 20, 422, "before"),
        ("/assets/BW-T1?before=" + TIMES[0], 422, "the year 1 is out of range"),
        ("/assets/BW-T1?before=" + TIMES[1], 422, "the year 9999 is out of range"),
        ("/assets/BW-T1?before=2026-01-01T00:00:00", 422, "with its zone"),
        ("/assets/%00", 422, "code: holds a control character (U+0000)"),
        ("/?q=%00", 422, "q: holds a control character (U+0000)"),
        ("/?site=a%00", 422, "site: holds a control character (U+0000)"),
        ("/?q=%ED%A0%80", 200, ""),  # read as replacement characters, which are text
        ("/assets/%ED%A0%80", 404, "There is no asset"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place_and_reason(
    client: TestClient, address: str, status: int, told: str
) -> None:
    answer = client.get(address)
    assert answer.status_code == status
    assert told in answer.text


@settings(derandomize=True, deadline=None, database=None, max_examples=300)
@given(text=st.text(st.characters(categories=["L", "N", "Z", "P", "S", "C"]), max_size=20))
@example("\ud800")
@example("a\udfff")
@example("\0")
@example("tab\tand\r\nlines")
def test_text_is_what_both_databases_take(text: str) -> None:
    half = any(0xD800 <= ord(c) <= 0xDFFF for c in text)
    control = any((ord(c) < 32 and c not in "\t\r\n") or 127 <= ord(c) < 160 for c in text)
    assert (text_fault(text) is not None) == (half or control)
    try:
        taken = TypeAdapter(PrintableText).validate_python(text)
    except ValidationError:
        taken = None
    assert taken == (None if half or control else text)


@settings(derandomize=True, deadline=None, database=None, max_examples=200)
@given(at=st.datetimes(), minutes=st.integers(-1439, 1439))
@example(FIRST, 840)
@example(FIRST, 0)
@example(LAST, -840)
@example(LAST, 0)
def test_a_time_is_taken_in_utc_or_refused(at: datetime, minutes: int) -> None:
    sent = at.replace(tzinfo=timezone(timedelta(minutes=minutes)))
    try:
        taken = TypeAdapter(UtcTime).validate_python(sent)
    except ValidationError:
        taken = None
    assert taken == (sent if _stays_in_the_calendar(at, minutes) else None)
    assert taken is None or taken.tzinfo is UTC


def _stays_in_the_calendar(at: datetime, minutes: int) -> bool:
    ordinal = at.toordinal() * 1440 + at.hour * 60 + at.minute - minutes
    return FIRST.toordinal() * 1440 <= ordinal < (LAST.toordinal() + 1) * 1440


@pytest.mark.postgresql
@settings(
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    text=st.text(max_size=12).filter(lambda text: text not in {".", ".."}), page=st.sampled_from([0, 1, 2, 3])
)
@example("\0", 0)
@example("\uffff", 1)
def test_any_text_in_an_address_is_answered_by_postgresql(
    postgresql_database: Database, text: str, page: int
) -> None:
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), postgresql_database)
    client = TestClient(app, raise_server_exceptions=False)
    sent = quote(text, safe="", errors="surrogatepass")
    address = (f"/assets/{sent}", f"/?q={sent}", f"/?site={sent}", f"/exports/samples.csv?asset={sent}")[page]
    check(client.get(address, follow_redirects=False), address)
