"""docker-compose.yml is valid, and sets only settings that exist, to values that they take."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from app.config import load_settings

COMPOSE = yaml.safe_load((Path(__file__).parents[1] / "docker-compose.yml").read_text(encoding="utf-8"))


def _filled_in(text: str) -> str:
    """The text with ${NAME:?message} replaced, as docker compose does."""
    return re.sub(r"\$\{[A-Z_]+(:\?[^}]*)?\}", "secret", text)


def environments() -> dict[str, dict[str, Any]]:
    return {name: service.get("environment", {}) for name, service in COMPOSE["services"].items()}


def test_it_has_app_worker_database_and_mail_catcher() -> None:
    assert {"app", "worker", "postgres", "mail"} <= COMPOSE["services"].keys()


def test_every_setting_exists_and_takes_its_value() -> None:
    checked = 0
    for environment in environments().values():
        ours = {k: _filled_in(str(v)) for k, v in environment.items() if k.startswith("ULLAGE_")}
        load_settings(ours)
        checked += len(ours)
    assert checked > 10


def test_app_and_worker_share_the_database_and_only_one_of_them_is_the_worker() -> None:
    app, worker = environments()["app"], environments()["worker"]
    assert app["ULLAGE_DATABASE_URL"] == worker["ULLAGE_DATABASE_URL"]
    assert app["ULLAGE_EMBEDDED_WORKER"] == "false"


def test_dependencies_are_services() -> None:
    for service in COMPOSE["services"].values():
        assert set(service.get("depends_on", {})) <= COMPOSE["services"].keys()


def test_what_is_to_be_set_is_no_setting_that_the_program_would_refuse() -> None:
    text = (Path(__file__).parents[1] / "docker-compose.yml").read_text(encoding="utf-8")
    assert set(re.findall(r"\$\{([A-Z_]+)", text)) == {"DB_PASSWORD"}


@pytest.mark.parametrize("name", ["app", "worker", "postgres", "mail"])
def test_every_lasting_service_has_a_health_check_that_can_run(name: str) -> None:
    words = COMPOSE["services"][name]["healthcheck"]["test"]
    assert words[0] in {"CMD", "CMD-SHELL"}
    if words[1] == "python":
        compile(words[3], name, "exec")


def test_the_workers_check_goes_by_its_heartbeat() -> None:
    """What the command answers, its own tests show."""
    words = COMPOSE["services"]["worker"]["healthcheck"]["test"]
    assert words == ["CMD", "ullage", "health", "--only", "worker"]
