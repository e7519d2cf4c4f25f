"""``ullage health`` and ``ullage mail test``: is the service well, and does mail go out?"""

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

import typer

from app.cli.common import AsJson, DatabaseUrl, SettingsFile, failing_on, settings_of, show

mail_app = typer.Typer(no_args_is_help=True, help="Mail.")


class HealthPart(StrEnum):
    DATABASE = "database"
    SCHEMA = "schema"
    WORKER = "worker"
    MAIL = "mail"


def health(
    only: Annotated[
        list[HealthPart] | None,
        typer.Option(help="A part to judge by; all when none is named. May be given again and again."),
    ] = None,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Say whether database, schema, worker and mail are well, as /health/ready does. Exit code 1 when one is not.

    It looks into the database itself, whether a server runs or not, and waits for nothing.
    """
    from app.services.health.vital_signs import look

    chosen = settings_of(settings, database_url=url)
    said = look(chosen.database_url, datetime.now(UTC), own_worker=chosen.embedded_worker)
    asked = {part: sign for part, sign in said.items() if not only or part in only}
    lines = [f"{part}: {'well' if sign.well else 'NOT WELL'}, {sign.says}" for part, sign in asked.items()]
    outcome = {part: {"well": sign.well, "says": sign.says} for part, sign in asked.items()}
    show(outcome, lines, as_json=as_json)
    if not all(sign.well for sign in asked.values()):
        raise typer.Exit(1)


@mail_app.command("test")
def mail_test(
    to: Annotated[str, typer.Option(metavar="ADDRESS", help="Address to send to.")],
    settings: SettingsFile = None,
) -> None:
    """Send a message that is marked as a test, by the mail server that alert mails use."""
    from app.jobs.mail_test import send_test_mail
    from app.notify.transport import DeliveryError

    with failing_on(DeliveryError, before="not sent: "):
        typer.echo(send_test_mail(settings_of(settings), to, datetime.now(UTC)))
