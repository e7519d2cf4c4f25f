"""Bounded fuzzing of the whole programming interface by its own description, against the whole application.

It never answers with 5xx, and only with what the description says: statuses, media types and bodies.
"""

import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.core.result import Ok
from schemathesis.core.transport import Response
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app

load_cast: Callable[..., Any] = runpy.run_path(str(Path(__file__).with_name("api_cast.py")))["load_cast"]
KNOWN = {"method", "url", "headers", "params", "json", "data"}
CHECKS = [status_code_conformance, content_type_conformance, response_schema_conformance]


@pytest.mark.fuzz
@pytest.mark.parametrize("scope", ["instrument", "registrar", "nobody"])
def test_every_answer_is_one_that_the_description_names(sqlite_database: Database, scope: str) -> None:
    cast = load_cast(sqlite_database)
    keys = {"instrument": cast.instrument_key, "registrar": cast.registrar_key, "nobody": "ull_none_none"}
    app = create_app(load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"}), sqlite_database)
    client = TestClient(app, raise_server_exceptions=False)
    schema = schemathesis.openapi.from_dict(app.openapi())
    operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) >= 20
    answered: set[int] = set()
    for operation in operations:

        @settings(
            max_examples=10,
            deadline=None,
            derandomize=True,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
            database=None,
        )
        @given(case=operation.as_strategy())
        def send(case: Any) -> None:
            sent = case.as_transport_kwargs(base_url="http://testserver")
            assert not sent.pop("cookies", None)
            assert set(sent) <= KNOWN, sent
            sent["headers"] = {**dict(sent["headers"] or {}), **cast.auth(keys[scope])}
            answer = client.request(**sent)
            answered.add(answer.status_code)
            assert answer.status_code < 500, (sent, answer.text)
            told: Any = answer  # of the client's own type
            case.validate_response(
                Response.from_httpx(told, verify=False), checks=CHECKS, headers=sent["headers"]
            )

        send()
    # 422: the bodies were read, not refused at the door; chance seldom hits a time that samples may have
    least = {"instrument": {200, 403, 422}, "registrar": {200, 201, 403, 404, 422}, "nobody": {200, 401}}
    assert answered >= least[scope], answered
