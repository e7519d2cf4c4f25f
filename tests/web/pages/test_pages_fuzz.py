"""Fuzzing of every page: whatever its address says, the answer is a page or a refusal, never a failure of the server.

The pages and their parameters are those that the application has, also the ones that are added tomorrow.
"""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from api_cast import load_cast
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app

CASES = 60
"""Of each page."""
KNOWN = {
    "code": ["KEL-T1", "NA", "MON-1"],
    "id": ["1", "2", "3"],
    "kind": ["samples", "assessments", "alerts"],
    "form": ["csv", "xlsx"],
    "compartment": ["main", "tap_changer"],
    "range": ["3m", "1y", "all"],
    "site": ["KEL"],
    "page": ["1", "2"],
}
"""What is there to be found, by the last word of a parameter's name."""
ODD = [
    "",
    "0",
    "-1",
    "99999999999999999999",
    "1e9",
    "NaN",
    "null",
    "true",
    "..",
    "%",
    "%00",
    "\x00",
    "'",
    '"',
    "é",
    "💧",
]
ODD_TIMES = [
    "2026-03-02",
    "2026-13-40",
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59+00:00",
    "2026-03-02T12:00",
]
ANYTHING = st.one_of(st.sampled_from([*ODD, *ODD_TIMES]), st.text(max_size=12))


def value(name: str) -> st.SearchStrategy[str]:
    """A value for this parameter: one that is known, or anything."""
    known = KNOWN.get(name.rpartition("_")[2])
    return st.one_of(st.sampled_from(known), ANYTHING) if known else ANYTHING


def pages(app: FastAPI) -> Iterator[tuple[str, list[str], list[str]]]:
    """Each page that is asked for with GET: its path, and the names in its path and in its query."""
    for router in app.routes:
        for route in getattr(router, "effective_route_contexts", list)():
            if "GET" in route.methods and not route.path_format.startswith(("/api/", "/health")):
                named = route.dependant
                yield (
                    route.path_format,
                    [parameter.alias for parameter in named.path_params],
                    [parameter.alias for parameter in named.query_params],
                )


@pytest.fixture
def client(sqlite_database: Database) -> TestClient:
    cast = load_cast(sqlite_database)
    hour = timedelta(hours=1)
    now = datetime.now(UTC)
    readings = [{"taken_at": (now - n * hour).isoformat(), "h2": 40.0 + n, "ch4": 20.0} for n in range(6)]
    assert cast.post(*readings).status_code == 200
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), sqlite_database)
    return TestClient(app, raise_server_exceptions=False)


def fuzz(client: TestClient, path: str, in_path: list[str], in_query: list[str]) -> Counter[int]:
    """Ask for a page in odd ways; the statuses that came back."""
    told: Counter[int] = Counter()

    @settings(
        max_examples=CASES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(
        parts=st.fixed_dictionaries({name: value(name).filter(bool) for name in in_path}),
        query=st.fixed_dictionaries({}, optional={name: value(name) for name in [*in_query, "unknown"]}),
    )
    def ask(parts: dict[str, str], query: dict[str, str]) -> None:
        address = path.format(**{name: _quoted(part) for name, part in parts.items()})
        answer = client.get(address, params=query, headers={"Accept": "text/html"}, follow_redirects=False)
        told[answer.status_code] += 1
        assert answer.status_code < 500, (address, query, answer.text[-2000:])

    ask()
    return told


@pytest.mark.fuzz
def test_no_address_of_a_page_makes_the_server_fail(
    client: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    application: Any = client.app
    answered = {page[0]: fuzz(client, *page) for page in sorted(pages(application))}
    with capsys.disabled():
        print(_table(answered))  # noqa: T201 - it is what `make fuzz` is asked for
    assert len(answered) >= 20
    assert sum(told[200] for told in answered.values()) >= 200


def _quoted(part: str) -> str:
    return "".join(f"%{byte:02X}" for byte in part.encode("utf-8", "surrogatepass"))


def _table(answered: dict[str, Counter[int]]) -> str:
    lines = []
    for path, told in answered.items():
        statuses = ", ".join(f"{status}: {number}" for status, number in sorted(told.items()))
        lines.append(f"{told.total():6} GET {path:40} {statuses}")
    return "\n".join(["", *lines, f"{sum(told.total() for told in answered.values()):6} addresses of pages"])
