"""Mail leaves through a real SMTP server of this test run: plain, with a password, over TLS; and into a folder."""

import os
import shutil
import socket
import ssl
import stat
import subprocess
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

from app.notify.transport import DeliveryError, FolderTransport, Outgoing, SmtpTransport, build

MAIL = Outgoing(
    sender="ullage@weirs.example",
    to_address="planner@weirs.example",
    subject="[Ullage] W-T1 main: status 3, thermal fault above 700 °C (raised)",
    text="Ethylene 400 µL/L\n",
    html="<p>Ethylene 400 µL/L</p>",
    message_id="<alert-1@weirs.example>",
    thread_id="<alert-1@weirs.example>",
    date=datetime(2026, 3, 1, 12, tzinfo=UTC),
)


class Mailbox:
    """An SMTP server's handler: keeps what it takes, answers what it is told to."""

    def __init__(self) -> None:
        self.messages: list[bytes] = []
        self.encrypted: list[bool] = []
        self.rcpt_answer: str | None = None
        self.data_answer: str | None = None

    async def handle_RCPT(self, _server: Any, _session: Any, envelope: Any, address: str, _o: Any) -> str:  # noqa: N802
        if self.rcpt_answer:
            return self.rcpt_answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.data_answer:
            return self.data_answer
        self.messages.append(envelope.content)
        self.encrypted.append(session.ssl is not None)
        return "250 taken"


Start = Callable[..., SmtpTransport]


@pytest.fixture
def mailbox() -> Mailbox:
    return Mailbox()


@pytest.fixture
def start(mailbox: Mailbox) -> Iterator[Start]:
    """Starts a server over the mailbox; gives the transport that leads to it."""
    controllers: list[Controller] = []

    def begin(transport: dict[str, Any] | None = None, /, **server: Any) -> SmtpTransport:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        controller = Controller(mailbox, hostname="127.0.0.1", port=port, **server)
        controller.start()
        controllers.append(controller)
        return SmtpTransport("127.0.0.1", port, timeout_seconds=5.0, **(transport or {}))

    yield begin
    for controller in controllers:
        controller.stop()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A self-signed certificate for 127.0.0.1 and its key, made by the openssl program."""
    program = shutil.which("openssl")
    if program is None:
        pytest.fail("the openssl program is not installed; on Debian: apt-get install openssl")
    folder = tmp_path_factory.mktemp("tls")
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=127.0.0.1"
    names = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run([program, *words.split(), *names], check=True, capture_output=True, timeout=60)
    return certificate, key


def server_context(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(*certificate)
    return context


def trusting(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(certificate[0]))


def opens_with(name: bytes, password: bytes) -> Callable[..., AuthResult]:
    def authenticate(_server: Any, _session: Any, _envelope: Any, _mechanism: Any, data: Any) -> AuthResult:
        if isinstance(data, LoginPassword) and (data.login, data.password) == (name, password):
            return AuthResult(success=True)
        return AuthResult(success=False, handled=False)  # handled=True would leave the client waiting

    return authenticate


def test_a_mail_arrives_with_its_text_its_html_and_its_letters(start: Start, mailbox: Mailbox) -> None:
    start().send(build(MAIL))
    (raw,) = mailbox.messages
    message = message_from_bytes(raw, policy=policy.default)
    assert message["Subject"] == MAIL.subject
    assert message["To"] == "planner@weirs.example"
    assert message["From"] == "Ullage <ullage@weirs.example>"
    assert message["Message-ID"] == "<alert-1@weirs.example>"
    assert message["References"] is None
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert message["Date"] == "Sun, 01 Mar 2026 12:00:00 +0000"
    kinds = [part.get_content_type() for part in message.walk()]
    assert kinds == [
        "multipart/alternative",
        "text/plain",
        "text/html",
    ]  # the plainest first: RFC 2046, 5.1.4
    text, html = message.get_body(("plain",)), message.get_body(("html",))
    assert text is not None
    assert html is not None
    assert text.get_content().splitlines() == MAIL.text.splitlines()
    assert "400 µL/L" in html.get_content()


def test_a_name_and_password_are_given_and_wrong_ones_can_be_put_right(
    start: Start, mailbox: Mailbox, certificate: tuple[Path, Path]
) -> None:
    server = {
        "authenticator": opens_with(b"ullage", b"s3cret"),
        "auth_required": True,
        "tls_context": server_context(certificate),
    }
    way = {"security": "starttls", "context": trusting(certificate), "username": "ullage"}
    start(way | {"password": "s3cret"}, **server).send(build(MAIL))
    assert len(mailbox.messages) == 1
    with pytest.raises(DeliveryError, match="535") as refusal:
        start(way | {"password": "wr0ng"}, **server).send(build(MAIL))
    assert not refusal.value.permanent
    assert "wr0ng" not in str(refusal.value), "no password in a log"
    with pytest.raises(DeliveryError, match="530"):  # RFC 4954, 6: authentication required
        start(way | {"username": ""}, **server).send(build(MAIL))
    assert len(mailbox.messages) == 1


def test_starttls_encrypts(start: Start, mailbox: Mailbox, certificate: tuple[Path, Path]) -> None:
    way = {"security": "starttls", "context": trusting(certificate)}
    start(way, tls_context=server_context(certificate), require_starttls=True).send(build(MAIL))
    assert mailbox.encrypted == [True]


def test_tls_from_the_first_byte(start: Start, mailbox: Mailbox, certificate: tuple[Path, Path]) -> None:
    way = {"security": "tls", "context": trusting(certificate)}
    start(way, ssl_context=server_context(certificate)).send(build(MAIL))
    assert len(mailbox.messages) == 1


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_nobody_trusts_is_refused(
    start: Start, mailbox: Mailbox, certificate: tuple[Path, Path], security: str
) -> None:
    option = "tls_context" if security == "starttls" else "ssl_context"
    with pytest.raises(DeliveryError, match="certificate") as refusal:
        start({"security": security}, **{option: server_context(certificate)}).send(build(MAIL))
    assert not refusal.value.permanent
    assert mailbox.messages == []


def test_starttls_is_not_skipped_when_the_server_has_none(start: Start, mailbox: Mailbox) -> None:
    with pytest.raises(DeliveryError, match="STARTTLS"):
        start({"security": "starttls"}).send(build(MAIL))
    assert mailbox.messages == []


@pytest.mark.parametrize(
    ("where", "answer", "permanent"),
    [  # RFC 5321, 4.2.1: 4yz transient, 5yz permanent
        ("rcpt_answer", "450 mailbox busy", False),
        ("rcpt_answer", "550 no such user", True),
        ("data_answer", "451 try again later", False),
        ("data_answer", "554 not wanted here", True),
    ],
)
def test_what_the_server_answers_decides_whether_to_try_again(
    start: Start, mailbox: Mailbox, where: str, answer: str, permanent: bool
) -> None:
    setattr(mailbox, where, answer)
    with pytest.raises(DeliveryError, match=answer) as refusal:
        start().send(build(MAIL))
    assert refusal.value.permanent is permanent


def test_a_refused_connection_names_the_server_and_is_tried_again() -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))  # bound, not listening
        port = closed.getsockname()[1]
        with pytest.raises(DeliveryError, match=rf"127\.0\.0\.1:{port}") as refusal:
            SmtpTransport("127.0.0.1", port, timeout_seconds=2.0).send(build(MAIL))
    assert not refusal.value.permanent


def test_a_server_that_says_nothing_is_given_up_after_the_timeout() -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        with pytest.raises(DeliveryError, match="timed out"):
            SmtpTransport("127.0.0.1", silent.getsockname()[1], timeout_seconds=0.3).send(build(MAIL))


@pytest.mark.parametrize("host", ["a" * 70 + ".example", "post..weirs.example", "post.weirs.example\0"])
def test_a_name_that_no_host_can_have_is_for_the_settings_to_mend(host: str) -> None:
    # RFC 1035, 2.3.4: a label has 1 to 63 octets
    with pytest.raises(DeliveryError) as refusal:
        SmtpTransport(host, 25, timeout_seconds=2.0).send(build(MAIL))
    assert not refusal.value.permanent
    assert str(refusal.value).startswith(f"{host}:25: ")


def test_a_password_that_smtp_cannot_carry_is_told_without_it(
    start: Start, mailbox: Mailbox, certificate: tuple[Path, Path]
) -> None:
    server = {"authenticator": opens_with(b"u", b"p"), "tls_context": server_context(certificate)}
    way = {"security": "starttls", "context": trusting(certificate), "username": "u", "password": "pässwört"}
    with pytest.raises(DeliveryError, match="not ASCII") as refusal:
        start(way, **server).send(build(MAIL))
    assert not refusal.value.permanent
    assert not set("äö") & set(str(refusal.value))
    assert mailbox.messages == []


@pytest.mark.parametrize("field", ["subject", "text", "html"])
def test_half_a_character_fails_for_good(field: str) -> None:
    with pytest.raises(DeliveryError, match="cannot be written as mail") as refusal:
        build(replaced(**{field: "half a \ud83d pair"}))
    assert refusal.value.permanent


def test_a_message_that_cannot_be_written_fails_for_good(start: Start, tmp_path: Path) -> None:
    message = EmailMessage()
    message["From"] = message["To"] = "planner@weirs.example"
    message.set_payload("half a \ud83d pair")
    for way in (start(), FolderTransport(tmp_path)):
        with pytest.raises(DeliveryError, match="cannot be written as mail") as refusal:
            way.send(message)
        assert refusal.value.permanent
    assert list(tmp_path.glob("*.eml")) == []


def replies(*lines: bytes) -> tuple[threading.Thread, int]:
    """A server for one caller that answers each line it gets with the next of these, its greeting first."""
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(10)

    def talk() -> None:
        with listening:
            caller, _ = listening.accept()
        with caller, caller.makefile("rwb") as wire:
            for line in lines:
                wire.write(line + b"\r\n")
                wire.flush()
                if line.startswith(b"354"):
                    while wire.readline() not in (b".\r\n", b""):
                        pass
                elif not wire.readline():
                    return

    thread = threading.Thread(target=talk)
    thread.start()
    return thread, int(listening.getsockname()[1])


@pytest.mark.parametrize(
    "lines",
    [
        [b"554 no mail service here"],  # RFC 5321, 3.1: at the greeting, whatever the message
        [b"220 here", b"502 no", b"502 no"],  # neither EHLO nor HELO
        [b"220 here", b"250 here", b"530 5.7.0 Authentication required"],  # RFC 4954, 6
    ],
)
def test_a_server_that_takes_no_mail_at_all_dooms_no_message(lines: list[bytes]) -> None:
    thread, port = replies(*lines)
    with pytest.raises(DeliveryError) as refusal:
        SmtpTransport("127.0.0.1", port, timeout_seconds=5.0).send(build(MAIL))
    thread.join(10)
    assert not refusal.value.permanent


def test_a_message_that_was_taken_is_sent_however_rude_the_goodbye() -> None:
    taken = [b"220 here", b"250 here", b"250 sender", b"250 recipient", b"354 go on", b"250 taken"]
    thread, port = replies(*taken, b"421 shutting down")
    SmtpTransport("127.0.0.1", port, timeout_seconds=5.0).send(build(MAIL))  # raises when it is not taken
    thread.join(10)
    assert not thread.is_alive(), "the server was heard to its end"


def replaced(**values: Any) -> Outgoing:
    return Outgoing(**({name: getattr(MAIL, name) for name in Outgoing.__slots__} | values))


def test_a_line_break_in_a_subject_makes_no_header(start: Start, mailbox: Mailbox) -> None:
    start().send(build(replaced(subject="status 3\r\nBcc: everybody@weirs.example\n\nboo")))
    message = message_from_bytes(mailbox.messages[0], policy=policy.default)
    assert message["Bcc"] is None
    assert message["Subject"] == "status 3 Bcc: everybody@weirs.example boo"


@pytest.mark.parametrize(
    "address",
    [
        "planner@weirs.example\r\nBcc: everybody@weirs.example",
        "planner@weirs.example, everybody@weirs.example",
        "not an address",
        "",
    ],
)
def test_an_address_that_is_none_fails_for_good_and_reaches_no_header(address: str) -> None:
    with pytest.raises(DeliveryError, match="address") as refusal:
        build(replaced(to_address=address))
    assert refusal.value.permanent


def test_a_later_mail_is_threaded_under_the_first() -> None:
    message = build(replaced(message_id="<event-7@weirs.example>"))
    assert message["Message-ID"] == "<event-7@weirs.example>"
    # RFC 5322, 3.6.4
    assert message["In-Reply-To"] == message["References"] == "<alert-1@weirs.example>"


def test_a_folder_holds_the_mail_once_however_often_it_is_sent(tmp_path: Path) -> None:
    folder = FolderTransport(tmp_path / "new" / "mail")
    for _ in range(2):
        folder.send(build(MAIL))
    (path,) = folder.folder.iterdir()
    assert path.suffix == ".eml"
    assert message_from_bytes(path.read_bytes(), policy=policy.default)["Subject"] == MAIL.subject


def test_a_folder_holds_a_mail_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("app.notify.transport.os.fsync", full)
    with pytest.raises(DeliveryError, match="No space left") as refusal:
        FolderTransport(tmp_path).send(build(MAIL))
    assert not refusal.value.permanent
    assert list(tmp_path.glob("*.eml")) == []


def test_a_folder_and_its_file_are_both_brought_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[tuple[str, list[str]]] = []

    def fsync(descriptor: int) -> None:
        kind = "folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file"
        synced.append((kind, [path.suffix for path in tmp_path.iterdir()]))

    monkeypatch.setattr("app.notify.transport.os.fsync", fsync)
    FolderTransport(tmp_path).send(build(MAIL))
    assert synced == [("file", [".part"]), ("folder", [".eml"])], "the name is kept once it is the last one"


def test_a_message_id_cannot_leave_the_folder(tmp_path: Path) -> None:
    FolderTransport(tmp_path / "mail").send(build(replaced(message_id="<../../up@weirs.example>")))
    assert [path.parent for path in tmp_path.rglob("*.eml")] == [tmp_path / "mail"]
