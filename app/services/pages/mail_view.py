"""The outbox as people see it: the list, one mail, and the mail as a file."""

from dataclasses import dataclass

from app.notify.transport import Outgoing, build
from app.store.database import Database
from app.store.pages.view_mail import MessageBody, MessageView, Traffic, message, message_list, traffic

LIMIT = 50


@dataclass(frozen=True, slots=True)
class MailPage:
    """Messages newest first; ``older_than`` is the id to go on from, None on the last page."""

    messages: tuple[MessageView, ...]
    older_than: int | None
    traffic: Traffic


def mail_page(database: Database, state: str | None, before_id: int | None) -> MailPage:
    """One page of the outbox."""
    with database.read() as connection:
        found = message_list(connection, state=state, before_id=before_id, limit=LIMIT + 1)
        shown = tuple(found[:LIMIT])
        return MailPage(shown, shown[-1].id if len(found) > LIMIT else None, traffic(connection))


def one_mail(database: Database, message_id: int) -> tuple[MessageView, MessageBody] | None:
    """One message with its content, or None."""
    with database.read() as connection:
        return message(connection, message_id)


def as_eml(view: MessageView, body: MessageBody, sender: str) -> bytes:
    """The message as it is sent, as an RFC 5322 file.

    Raises:
        DeliveryError: it cannot be written as mail, and so was never sent.
    """
    mail = Outgoing(
        sender,
        view.to_address,
        view.subject,
        body.text,
        body.html,
        body.message_id,
        body.thread_id,
        view.created_at,
    )
    return build(mail).as_bytes()
