"""Fuzzing of the whole programming interface by its own description, against the whole application on both databases.

It never answers with 5xx, and only with what the description says: statuses, media types and bodies. Every endpoint
of the description takes part, also one that is added tomorrow. What was sent is printed by ``make fuzz``.
"""

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import schemathesis
from api_cast import load_cast
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.core.result import Ok
from schemathesis.core.transport import Response
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from app.config import load_settings
from app.services.registering import register
from app.store.database import Database
from app.web.app import create_app

KNOWN = {"method", "url", "headers", "params", "json", "data", "content"}
CHECKS = [status_code_conformance, content_type_conformance, response_schema_conformance]
CODES = ["KEL", "KEL-T1", "NA", "MON-1", "MON-2", "QUILLFEN", "PLANNER"]
"""What the cast registered: chance alone finds none of it."""
EXAMPLES = {"instrument": 20, "registrar": 60, "nobody": 8}
"""Cases of one endpoint and one way of making them, at most; endpoints without parameters have few."""
POSTS = 600
CHAINS, CHAIN = 60, 20
LEAST = {"instrument": 1800, "registrar": 2200, "nobody": 300, "one after another": 1000}
QUIET: dict[str, Any] = {
    "deadline": None,
    "derandomize": True,
    "phases": [Phase.explicit, Phase.generate],
    "suppress_health_check": list(HealthCheck),
    "database": None,
}


@dataclass
class Fuzzer:
    """The application, what was sent to it, and what it answered."""

    database: Database
    scope: str
    sent: Counter[str] = field(default_factory=Counter)
    answered: Counter[tuple[str, int]] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        load_cast(self.database)
        # no worker runs here, and none is missed by /health/ready
        given = {"allowed_hosts": "testserver", "embedded_worker": "false", "posts_per_minute": "0"}
        app = create_app(load_settings({f"ULLAGE_{k.upper()}": v for k, v in given.items()}), self.database)
        self.client = TestClient(app, raise_server_exceptions=False)
        self.schema = schemathesis.openapi.from_dict(app.openapi())
        self.renew_key()

    def renew_key(self) -> None:
        """Endpoints may revoke keys, the one that is used too."""
        now = datetime.now(UTC)
        self.key = "ull_none_none"
        if self.scope == "instrument":
            self.key = register.issue_instrument_key(self.database, "MON-1", now)
        elif self.scope == "registrar":
            self.key = register.issue_registrar_key(self.database, now)

    def send(self, case: Any, key: str | None = None) -> Response:
        """Send a case and hold the answer against the description."""
        sent = case.as_transport_kwargs(base_url="http://testserver")
        cookies = sent.pop("cookies", None)
        assert not cookies
        assert set(sent) <= KNOWN, sent
        sent["headers"] = {**dict(sent["headers"] or {}), "Authorization": f"Bearer {key or self.key}"}
        if isinstance(sent.get("data"), bytes | str):
            sent["content"] = sent.pop("data")
        answer = self.client.request(**sent)
        self.sent[case.operation.label] += 1
        self.answered[case.operation.label, answer.status_code] += 1
        assert answer.status_code < 500, (sent, answer.text)
        told: Any = answer  # of the client's own type
        response = Response.from_httpx(told, verify=False)
        case.validate_response(response, checks=CHECKS, headers=sent["headers"])
        return response

    @property
    def statuses(self) -> set[int]:
        return {status for _, status in self.answered}

    def table(self) -> str:
        """What was sent to each endpoint, and which statuses came back."""
        lines = []
        for label, number in sorted(self.sent.items()):
            told = [f"{status}: {n}" for (of, status), n in sorted(self.answered.items()) if of == label]
            lines.append(f"{number:6} {label:44} {', '.join(told)}")
        return "\n".join(["", *lines, f"{self.sent.total():6} cases with the key of: {self.scope}"])


def aimed(case: Any, codes: list[str | None]) -> Any:
    """The case, with some of the path's codes being ones that are registered."""
    for name, code in zip(list(case.path_parameters or {}), codes, strict=False):
        if code is not None:
            case.path_parameters[name] = code if name.endswith("code") else "1"
    return case


def fuzz(fuzzer: Fuzzer, operation: Any, mode: GenerationMode, most: int) -> None:
    """Send cases of one endpoint: as described, or (negative) just beside the description."""
    fuzzer.renew_key()
    code = st.one_of(st.none(), st.sampled_from(CODES))
    length = operation.path.count("{")

    @settings(max_examples=most, **QUIET)
    @given(
        case=operation.as_strategy(generation_mode=mode),
        codes=st.lists(code, min_size=length, max_size=length),
    )
    def send(case: Any, codes: list[str | None]) -> None:
        fuzzer.send(aimed(case, codes))

    try:
        send()
    except Unsatisfiable:  # there is nothing beside the description of an endpoint without parameters
        assert mode is GenerationMode.NEGATIVE
        assert not length


@pytest.mark.fuzz
@pytest.mark.parametrize("scope", ["instrument", "registrar", "nobody"])
def test_every_answer_is_one_that_the_description_names(
    database: Database, scope: str, capsys: pytest.CaptureFixture[str]
) -> None:
    fuzzer = Fuzzer(database, scope)
    operations = [found.ok() for found in fuzzer.schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) >= 24
    for operation in operations:
        posts = scope == "instrument" and operation.label == "POST /api/v1/samples"
        for mode in GenerationMode:
            fuzz(fuzzer, operation, mode, POSTS if posts else EXAMPLES[scope])
    with capsys.disabled():
        print(fuzzer.table())  # noqa: T201 - it is what was asked
    assert set(fuzzer.sent) == {operation.label for operation in operations}
    assert fuzzer.sent.total() >= LEAST[scope]
    # 422: the bodies were read, not refused at the door; chance seldom hits a time that samples may have
    least = {"instrument": {200, 403, 422}, "registrar": {200, 201, 403, 404, 422}, "nobody": {200, 401}}
    assert fuzzer.statuses >= least[scope], fuzzer.answered


@dataclass
class Story:
    """Calls one after another, each about what the ones before it made: made by whoever may make them."""

    fuzzer: Fuzzer
    operations: list[Any]
    instrument_key: str
    made: dict[str, list[str]] = field(
        default_factory=lambda: {"sites": ["KEL"], "assets": ["KEL-T1"], "instruments": ["MON-1"]}
    )

    def __post_init__(self) -> None:
        self.about_samples = [found for found in self.operations if "sample" in found.path]

    def call(self, data: Any) -> None:
        operation = data.draw(
            st.sampled_from(data.draw(st.sampled_from([self.about_samples, self.operations])))
        )
        case = data.draw(operation.as_strategy())
        collection = operation.path.split("/")[3] if operation.path.startswith("/api/") else ""
        for name in case.path_parameters or {}:
            known = self.made.get(name if name != "code" else collection, [])
            if known and data.draw(st.integers(0, 3)):
                case.path_parameters[name] = data.draw(st.sampled_from(known))
        if isinstance(case.body, dict):
            self._refer(case.body, data)
        posts = operation.label == "POST /api/v1/samples"
        answer = self.fuzzer.send(case, self.instrument_key if posts else None)
        if answer.status_code < 300 and case.method == "PUT":
            self.made.setdefault(collection, []).append(str(case.path_parameters["code"]))
        if answer.status_code < 300 and answer.headers["content-type"] == ["application/json"]:
            self._remember(answer.json())

    def _refer(self, body: dict[str, Any], data: Any) -> None:
        """Let the body speak of a site and an asset that are there, and of a time that is not long ago."""
        for one, many in (("site", "sites"), ("asset", "assets")):
            if one in body:
                body[one] = data.draw(st.sampled_from(self.made[many]))
            if many in body:
                body[many] = data.draw(st.lists(st.sampled_from(self.made[many]), min_size=1, unique=True))
        for sample in body.get("samples") or []:
            if isinstance(sample, dict) and "taken_at" in sample:
                minutes = data.draw(st.integers(0, 9000))
                sample["taken_at"] = (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat()

    def _remember(self, told: Any) -> None:
        """Every id and prefix of a key in an answer, under its name."""
        for part in told if isinstance(told, list) else [told]:
            for name, value in part.items() if isinstance(part, dict) else ():
                if isinstance(value, list | dict):
                    self._remember(value)
                elif name.endswith(("id", "prefix")) and value is not None:
                    self.made.setdefault(name, []).append(str(value))


@pytest.mark.fuzz
def test_one_call_after_another(database: Database, capsys: pytest.CaptureFixture[str]) -> None:
    fuzzer = Fuzzer(database, "registrar")
    operations = [found.ok() for found in fuzzer.schema.get_all_operations() if isinstance(found, Ok)]

    @settings(max_examples=CHAINS, **QUIET)
    @given(st.data())
    def tell(data: Any) -> None:
        fuzzer.renew_key()
        key = register.issue_instrument_key(database, "MON-1", datetime.now(UTC))
        story = Story(fuzzer, operations, key)
        for _ in range(CHAIN):
            story.call(data)

    tell()
    with capsys.disabled():
        print(fuzzer.table())  # noqa: T201 - it is what was asked
    assert set(fuzzer.sent) == {operation.label for operation in operations}
    assert fuzzer.sent.total() >= LEAST["one after another"]
    assert {200, 201, 404, 422} <= fuzzer.statuses
    assert fuzzer.answered["GET /api/v1/samples/{sample_id}", 200], "a posted sample was read"


def test_the_cases_add_up() -> None:
    assert sum(LEAST.values()) >= 5000
