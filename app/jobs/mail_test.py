"""`ullage mail test`: a real message, marked as a test, the way alert mails go."""

from datetime import datetime
from email.utils import make_msgid

from app.config import Settings
from app.jobs.worker import make_transport
from app.notify.transport import Outgoing, build

TEXT = "This is a test: Ullage can send mail this way. No unit is in trouble because of it.\n"


def send_test_mail(settings: Settings, to_address: str, now: datetime) -> str:
    """Send it; returns what was done, in words. Raises DeliveryError when it was not taken."""
    message_id = make_msgid(domain=settings.mail_from.rpartition("@")[2])
    html = f"<!doctype html><html lang='en'><title>Test</title><body><p>{TEXT}</p></body></html>"
    mail = Outgoing(
        settings.mail_from, to_address, "[Ullage] TEST: mail works", TEXT, html, message_id, message_id, now
    )
    make_transport(settings).send(build(mail))
    where = settings.mail_folder if settings.mail_transport == "folder" else settings.smtp_host
    return f"sent to {to_address} by {settings.mail_transport} ({where})"
