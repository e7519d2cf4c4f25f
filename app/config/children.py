"""What a process hands down to the processes that it starts."""

import os
from typing import Final

from pydantic import SecretStr

from app.config.load import FILE_VARIABLE
from app.config.settings import Settings
from app.config.values import PREFIX

_METRICS_FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
"""The name is prometheus-client's, which looks when it is imported."""


def environment_of(settings: Settings) -> dict[str, str]:
    """Variables from which a child reads these very settings, whatever file lies in its working folder."""
    variables = {FILE_VARIABLE: ""}
    for name in Settings.model_fields:
        value = getattr(settings, name)
        if isinstance(value, SecretStr):
            value = value.get_secret_value()
        variables[f"{PREFIX}{name.upper()}"] = ",".join(value) if isinstance(value, tuple) else str(value)
    return variables


def hand_down(settings: Settings) -> None:
    """Processes started from now on have these settings."""
    os.environ.update(environment_of(settings))


def share_metrics(folder: str) -> None:
    """Processes started from now on keep the figures of their metrics in this folder, which must be empty."""
    os.environ[_METRICS_FOLDER] = folder


def shared_metrics() -> str | None:
    """The folder of :func:`share_metrics`; None: there is one server process, which keeps its own figures."""
    return os.environ.get(_METRICS_FOLDER)
