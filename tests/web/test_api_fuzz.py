"""Bounded fuzzing of the whole programming interface by its own description: it never answers with 5xx."""

import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.core.result import Ok

from app.store.database import Database

load_cast: Callable[..., Any] = runpy.run_path(str(Path(__file__).with_name("api_cast.py")))["load_cast"]


@pytest.mark.fuzz
@pytest.mark.parametrize("scope", ["instrument", "registrar"])
def test_no_request_makes_a_server_error(sqlite_database: Database, scope: str) -> None:
    cast = load_cast(sqlite_database)
    key = cast.instrument_key if scope == "instrument" else cast.registrar_key
    schema = schemathesis.openapi.from_dict(cast.client.app.openapi())
    operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) >= 20
    answered: set[int] = set()
    for operation in operations:

        @settings(
            max_examples=10,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
            database=None,
        )
        @given(case=operation.as_strategy())
        def send(case: Any) -> None:
            sent = case.as_transport_kwargs(base_url="http://testserver")
            sent["headers"] = {**dict(sent["headers"] or {}), **cast.auth(key)}
            answer = cast.client.request(**{k: v for k, v in sent.items() if k in KNOWN})
            answered.add(answer.status_code)
            assert answer.status_code < 500, (sent, answer.text)

        send()
    # 422: the bodies were read, not refused at the door; chance seldom hits a time that samples may have
    assert answered >= ({403, 422} if scope == "instrument" else {200, 201, 403, 404, 422}), answered


KNOWN = {"method", "url", "headers", "params", "json", "data"}
