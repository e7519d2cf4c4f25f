"""Only what is addressed to this server is answered: a page of another site cannot borrow the user's browser."""

import asyncio
from pathlib import Path

import pytest
import yaml
from fastapi.testclient import TestClient
from starlette.types import Message

from app.config import load_settings
from app.store.database import Database
from app.web.app import create_app
from app.web.server.hosts import allowed_hosts, host_name

SETTINGS = {
    "ULLAGE_PUBLIC_URL": "https://Gas.Plant.example/ullage",
    "ULLAGE_HOST": "10.0.0.5",
    "ULLAGE_ALLOWED_HOSTS": "app, trafö.example",
}


@pytest.fixture
def client(sqlite_database: Database) -> TestClient:
    return TestClient(create_app(load_settings(SETTINGS), sqlite_database), raise_server_exceptions=False)


@pytest.mark.parametrize(
    "host",
    [
        "localhost",
        "LOCALHOST:1",
        "127.0.0.1:8750",
        "[::1]:65535",
        "[0:0:0:0:0:0:0:1]",
        "gas.plant.example",
        "gas.plant.example.:443",
        "10.0.0.5:8750",
        "app:8750",
        "xn--traf-8qa.example",  # as browsers write trafö.example
    ],
)
def test_the_servers_own_names_are_answered_on_any_port(client: TestClient, host: str) -> None:
    assert client.get("/health", headers={"Host": host}).status_code == 200


FOREIGN = [
    "evil.example",
    "evil.example:8750",
    "localhost.evil.example",
    "127.0.0.1.evil.example",
    "testserver",
]
FOREIGN += [
    "",
    "localhost:x",
    "localhost@evil.example",
    "[::1",
    "evil.example/localhost",
    "0.0.0.0",
    "127.0.0.2",
]


@pytest.mark.parametrize("host", FOREIGN)
def test_any_other_name_is_refused_with_what_to_set(client: TestClient, host: str) -> None:
    for path in ("/", "/health", "/alerts/1", "/api/v1/assets", "/static/x/style.css"):
        answer = client.get(path, headers={"Host": host, "Accept": "application/json"})
        assert answer.status_code == 400, path
        assert answer.headers["content-type"] == "application/problem+json"
        assert "ULLAGE_ALLOWED_HOSTS" in answer.json()["detail"]
        assert answer.headers["referrer-policy"] == "same-origin"
    page = client.get("/", headers={"Host": host, "Accept": "text/html"})
    assert page.status_code == 400
    assert page.headers["content-type"].startswith("text/html")
    assert "ULLAGE_PUBLIC_URL" in page.text
    assert "worker" not in page.text.lower()  # nothing of the service's state for strangers


def test_a_form_of_a_page_that_borrows_the_address_changes_nothing(client: TestClient) -> None:
    """The browser calls the form same-origin: its page was loaded from that name, which leads here by now."""
    borrowed = {"Host": "evil.example", "Origin": "http://evil.example", "Sec-Fetch-Site": "same-origin"}
    answer = client.post("/alerts/1/acknowledge", data={"author": "M. Reader"}, headers=borrowed)
    assert answer.status_code == 400
    assert "evil.example" in answer.json()["detail"]


def test_a_name_is_never_drawn_as_markup(client: TestClient) -> None:
    page = client.get("/", headers={"Host": "<script>x</script>", "Accept": "text/html"})
    assert page.status_code == 400
    assert "<script>" not in page.text


@pytest.mark.parametrize("hosts", [[], ["localhost", "localhost"], ["localhost", "evil.example"]])
def test_one_host_is_said_exactly_once(client: TestClient, hosts: list[str]) -> None:
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request"}

    async def send(message: Message) -> None:
        sent.append(message)

    headers = [(b"host", host.encode()) for host in hosts]  # the client itself would always send one
    scope = {"type": "http", "method": "GET", "path": "/health", "headers": headers, "query_string": b""}
    asyncio.run(client.app(scope, receive, send))  # type: ignore[arg-type]
    assert sent[0]["status"] == 400
    assert f"{len(hosts)} headers 'Host'" in sent[1]["body"].decode()


def test_the_demo_and_the_defaults_answer_to_loopback_alone() -> None:
    assert allowed_hosts(load_settings({})) == {"localhost", "127.0.0.1", "::1"}
    assert host_name("[::1]:8750") == "::1"


def test_the_composed_services_reach_the_server_by_their_names_for_it() -> None:
    composed = yaml.safe_load((Path(__file__).parents[3] / "docker-compose.yml").read_text(encoding="utf-8"))
    environment = composed["services"]["app"]["environment"]
    given = {k: str(v) for k, v in environment.items() if k.startswith("ULLAGE_") and "DATABASE" not in k}
    inherited = {k: str(v) for k, v in composed["x-settings"].items() if "DATABASE" not in k}
    assert {"localhost", "127.0.0.1"} <= allowed_hosts(load_settings({**inherited, **given}))
    checks = str([service.get("healthcheck") for service in composed["services"].values()])
    assert "http://127.0.0.1:8750/health" in checks
