"""How a message leaves: one small class a way, one exception for all of them."""

import os
import smtplib
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path
from typing import Literal, Protocol


class DeliveryError(Exception):
    """A message was not taken. ``permanent``: trying again is of no use."""

    def __init__(self, reason: str, *, permanent: bool) -> None:
        super().__init__(reason)
        self.permanent = permanent


class Transport(Protocol):
    def send(self, message: EmailMessage) -> None:
        """Hand a message over for good. Raises DeliveryError when it was not taken."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """Everything that makes up one mail; the ids are RFC 5322 ids in angle brackets."""

    sender: str
    to_address: str
    subject: str
    text: str
    html: str
    message_id: str
    thread_id: str
    date: datetime


def build(mail: Outgoing) -> EmailMessage:
    """The message: plain text first, then HTML; threaded under the alert's first mail.

    Raises:
        DeliveryError: an address is none; for good, since no later try can mend it.
    """
    message = EmailMessage()
    message["From"] = _address(mail.sender, "Ullage")
    message["To"] = _address(mail.to_address)
    message["Subject"] = " ".join(mail.subject.split())  # no line break gets into a header
    message["Date"] = format_datetime(mail.date)
    message["Message-ID"] = mail.message_id
    if mail.thread_id != mail.message_id:
        message["In-Reply-To"] = mail.thread_id
        message["References"] = mail.thread_id
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(mail.text)
    message.add_alternative(mail.html, subtype="html")
    return message


def _address(text: str, name: str = "") -> Address:
    try:
        return Address(name, addr_spec=text)
    except (ValueError, IndexError, MessageError) as error:  # IndexError: what the parser makes of ""
        raise DeliveryError(f"{text!r} is not a mail address", permanent=True) from error


@dataclass(frozen=True, slots=True)
class SmtpTransport:
    """Sends through a mail server. ``security``: none, starttls, or tls from the first byte."""

    host: str
    port: int
    security: Literal["none", "starttls", "tls"] = "none"
    username: str = ""
    password: str = ""
    timeout_seconds: float = 20.0
    context: ssl.SSLContext | None = None

    def send(self, message: EmailMessage) -> None:
        """Answers of 500 and above are permanent, all else is worth another try."""
        try:
            with self._connect() as server:
                if self.security == "starttls":
                    server.starttls(context=self.context or ssl.create_default_context())
                if self.username:
                    server.login(self.username, self.password)
                server.send_message(message)
        except smtplib.SMTPRecipientsRefused as error:
            code, reason = next(iter(error.recipients.values()))
            raise DeliveryError(f"{code} {_words(reason)}", permanent=code >= 500) from error
        except smtplib.SMTPAuthenticationError as error:
            # a password can be put right without touching the message
            raise DeliveryError(f"{error.smtp_code} {_words(error.smtp_error)}", permanent=False) from error
        except smtplib.SMTPResponseException as error:
            permanent = error.smtp_code >= 500
            raise DeliveryError(
                f"{error.smtp_code} {_words(error.smtp_error)}", permanent=permanent
            ) from error
        except (smtplib.SMTPException, OSError) as error:
            raise DeliveryError(f"{self.host}:{self.port}: {error}", permanent=False) from error

    def _connect(self) -> smtplib.SMTP:
        if self.security == "tls":
            context = self.context or ssl.create_default_context()
            return smtplib.SMTP_SSL(self.host, self.port, timeout=self.timeout_seconds, context=context)
        return smtplib.SMTP(self.host, self.port, timeout=self.timeout_seconds)


def _words(reply: bytes | str) -> str:
    return reply.decode("utf-8", "replace") if isinstance(reply, bytes) else str(reply)


@dataclass(frozen=True, slots=True)
class FolderTransport:
    """Writes .eml files into a folder, for trying out: whole or not at all, named by Message-ID."""

    folder: Path

    def send(self, message: EmailMessage) -> None:
        """A message that is sent again replaces itself."""
        stem = "".join(c for c in str(message["Message-ID"]) if c.isalnum() or c in "-._@").strip(".")
        target = self.folder / f"{stem[:150]}.eml"
        temporary = target.with_suffix(".part")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with temporary.open("wb") as file:
                file.write(message.as_bytes())
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(target)
        except OSError as error:
            raise DeliveryError(f"{self.folder}: {error}", permanent=False) from error
