"""How a message leaves: one small class a way, one exception for all of them."""

import os
import smtplib
import ssl
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from hashlib import sha256
from pathlib import Path
from typing import Final, Literal, Protocol

from app.errors import OutsideError

LOG_IN_FIRST: Final = 530
"""RFC 4954, 6: the server wants a log-in. That is for the settings to mend, so the message is kept."""


class DeliveryError(OutsideError):
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
        DeliveryError: an address is none, or the words cannot be written as mail (half a character, say);
            for good, since no later try can mend it.
    """
    try:
        return _written(mail)
    except (ValueError, IndexError, MessageError) as error:
        raise DeliveryError(f"cannot be written as mail: {error}", permanent=True) from error


def _written(mail: Outgoing) -> EmailMessage:
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
    # the same bytes however often it is written; "=_" is in neither base64 nor quoted-printable: RFC 2045, 6.7
    message.set_boundary("=_" + sha256(mail.message_id.encode()).hexdigest()[:32])
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
        """Whatever fails before the message is offered is no fault of the message: it is worth another try.

        After that, answers of 500 and above are permanent, and so is a message that cannot be written.
        """
        try:
            server = self._open()
        except smtplib.SMTPResponseException as error:
            raise _answered(error.smtp_code, error.smtp_error, permanent=False) from error
        except (smtplib.SMTPException, OSError, ValueError) as error:  # ValueError: a name no host can have
            raise self._unreached(error) from error
        try:
            server.send_message(message)
        except smtplib.SMTPRecipientsRefused as error:
            code, reason = next(iter(error.recipients.values()))
            raise _answered(code, reason, permanent=code >= 500 and code != LOG_IN_FIRST) from error
        except smtplib.SMTPResponseException as error:
            permanent = error.smtp_code >= 500 and error.smtp_code != LOG_IN_FIRST
            raise _answered(error.smtp_code, error.smtp_error, permanent=permanent) from error
        except (smtplib.SMTPException, OSError) as error:
            raise self._unreached(error) from error
        except ValueError as error:
            raise DeliveryError(f"cannot be written as mail: {error}", permanent=True) from error
        finally:
            _leave(server)

    def _open(self) -> smtplib.SMTP:
        """The server, ready to take a message."""
        server = self._connect()
        try:
            if self.security == "starttls":
                server.starttls(context=self.context or ssl.create_default_context())
            server.ehlo_or_helo_if_needed()
            if self.username:
                server.login(self.username, self.password)
        except BaseException:
            _leave(server)
            raise
        return server

    def _connect(self) -> smtplib.SMTP:
        if self.security == "tls":
            context = self.context or ssl.create_default_context()
            return smtplib.SMTP_SSL(self.host, self.port, timeout=self.timeout_seconds, context=context)
        return smtplib.SMTP(self.host, self.port, timeout=self.timeout_seconds)

    def _unreached(self, error: Exception) -> DeliveryError:
        told = str(error)
        if isinstance(error, UnicodeEncodeError):  # its text would show a letter of the password
            told = "the user name or password holds a character that is not ASCII, which SMTP cannot carry"
        return DeliveryError(f"{self.host}:{self.port}: {told}", permanent=False)


def _answered(code: int, reply: bytes | str, *, permanent: bool) -> DeliveryError:
    words = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else str(reply)
    return DeliveryError(f"{code} {words}", permanent=permanent)


def _leave(server: smtplib.SMTP) -> None:
    """Say goodbye and hang up; how that goes changes nothing about a message that was taken."""
    with suppress(smtplib.SMTPException, OSError):
        server.quit()
    server.close()


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
            self._keep_name()
        except ValueError as error:
            raise DeliveryError(f"cannot be written as mail: {error}", permanent=True) from error
        except OSError as error:
            raise DeliveryError(f"{self.folder}: {error}", permanent=False) from error

    def _keep_name(self) -> None:
        """A file outlives a power cut only when its folder, which holds the name, is on the disk too."""
        folder = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
