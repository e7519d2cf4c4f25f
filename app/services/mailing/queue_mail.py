"""A mail for each contact of a site: queued in the transaction that caused it, in the thread of its alert."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from app.domain.model import Contact
from app.notify.content import RenderedMail
from app.store.database import Connection
from app.store.mailing import outbox


@dataclass(frozen=True, slots=True)
class Told:
    """What a mail is about: the event of an alert, and the sample that caused it where there is one."""

    alert_id: int
    event_id: int
    sample_id: int | None = None


def queue_mail(
    connection: Connection,
    mail: RenderedMail,
    contacts: Iterable[Contact],
    told: Told,
    now: datetime,
    public_url: str,
) -> int:
    """Queue it once for each contact; returns how many. A repeat for the same event queues none."""
    people = {contact.code: contact for contact in contacts}
    host = _host(public_url)
    ids = outbox.contact_ids(connection, list(people))
    threads = outbox.threads(connection, told.alert_id)
    queued = 0
    for contact in people.values():
        contact_id = ids[contact.code]
        # the time keeps a new database from using an old one's ids over again
        message_id = f"<event-{told.event_id}-{contact_id}-{int(now.timestamp())}@{host}>"
        message = outbox.NewMessage(
            contact_id=contact_id,
            alert_event_id=told.event_id,
            sample_id=told.sample_id,
            to_address=contact.email,
            subject=mail.subject,
            text=mail.text,
            html=mail.html,
            message_id=message_id,
            thread_id=threads.get(contact_id, message_id),
        )
        queued += outbox.enqueue(connection, message, now)
    return queued


def _host(url: str) -> str:
    """The host as it may stand in a message id, whatever it is (RFC 5322, 3.2.3: a dot-atom)."""
    text = urlsplit(url).hostname or "localhost"
    return re.sub(r"[^A-Za-z0-9]+", lambda found: "." if found[0] == "." else "-", text).strip(".")
