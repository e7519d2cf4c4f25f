"""A mail as a file is the mail that went out, byte by byte."""

from email import message_from_bytes, policy
from pathlib import Path

import pytest
from fleet_cast import NOW

from app.notify.transport import DeliveryError, FolderTransport
from app.services.mailing.deliver import Delivery, deliver_next
from app.services.pages.mail_view import as_eml, one_mail
from app.store.database import Database
from app.store.mailing import outbox

SENDER = "ullage@weirs.example"


def enqueue(database: Database, **values: str) -> None:
    words = {
        "to_address": "planner@weirs.example",
        "subject": "[Ullage] W-T1 main: status 3\r\n (raised)",
        "text": "Ethylene 400 µL/L\n" + "x" * 2000 + "\n",
        "html": "<p>Ethylene 400 µL/L</p>",
        "message_id": "<event-7-1-9@weirs.example>",
        "thread_id": "<event-3-1-5@weirs.example>",
    } | values
    with database.write() as connection:
        outbox.enqueue(connection, outbox.NewMessage(None, None, None, **words), NOW)


def downloaded(database: Database) -> bytes:
    found = one_mail(database, 1)
    assert found is not None
    return as_eml(*found, SENDER)


def test_the_file_is_the_message_that_was_sent(database: Database, tmp_path: Path) -> None:
    enqueue(database)
    before = downloaded(database)
    assert deliver_next(database, FolderTransport(tmp_path), SENDER, lambda: NOW) is Delivery.SENT
    (path,) = tmp_path.glob("*.eml")
    assert path.read_bytes() == before == downloaded(database)
    mail = message_from_bytes(before, policy=policy.default)
    assert mail["Subject"] == "[Ullage] W-T1 main: status 3 (raised)"
    assert mail["From"] == "Ullage <ullage@weirs.example>"
    assert mail["In-Reply-To"] == mail["References"] == "<event-3-1-5@weirs.example>"
    assert mail["Auto-Submitted"] == "auto-generated"


def test_what_cannot_be_sent_is_no_file_either(sqlite_database: Database) -> None:
    enqueue(sqlite_database, to_address="not an address")
    with pytest.raises(DeliveryError, match="not a mail address"):
        downloaded(sqlite_database)
