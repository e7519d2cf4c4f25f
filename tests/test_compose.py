"""docker-compose.yml is valid, and sets only settings that exist, to values that they take."""

from pathlib import Path
from typing import Any

import yaml

from app.config import load_settings

COMPOSE = yaml.safe_load((Path(__file__).parents[1] / "docker-compose.yml").read_text(encoding="utf-8"))


def environments() -> dict[str, dict[str, Any]]:
    return {name: service.get("environment", {}) for name, service in COMPOSE["services"].items()}


def test_it_has_app_worker_database_and_mail_catcher() -> None:
    assert {"app", "worker", "postgres", "mail"} <= COMPOSE["services"].keys()


def test_every_setting_exists_and_takes_its_value() -> None:
    checked = 0
    for environment in environments().values():
        ours = {k: str(v) for k, v in environment.items() if k.startswith("ULLAGE_")}
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
