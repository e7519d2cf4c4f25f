"""How the service logs: one JSON object a line on standard error, its own lines and its libraries' alike."""

import logging
import sys
from typing import Any

import structlog
from structlog.typing import Processor


def configure(level: str) -> None:
    """Send all logging of this process to standard error; ``level`` is one of the setting ``log_level``.

    Tracebacks are plain text in the field ``exception`` and hold no local variables: those hold keys
    and passwords.
    """
    common: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        structlog.processors.format_exc_info,
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *common,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        wrapper_class=structlog.stdlib.BoundLogger,
        logger_factory=structlog.stdlib.LoggerFactory(),
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*common, _without_colours],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(ensure_ascii=False),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    logging.getLogger("alembic").setLevel(logging.WARNING)  # it says at each look which database it sees


def _without_colours(_logger: Any, _method: str, event: structlog.typing.EventDict) -> Any:
    """The web server's lines carry themselves a second time, with codes for a terminal."""
    event.pop("color_message", None)
    return event
