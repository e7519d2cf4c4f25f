"""``ullage key ...``: keys for posting and registering."""

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from app.cli.common import fail, open_database

if TYPE_CHECKING:
    from app.services.registering.keys import KeyRecord, NewKey

key_app = typer.Typer(no_args_is_help=True, help="Keys for posting and registering.")

Instrument = Annotated[str | None, typer.Option(help="Code of the instrument whose key it is.")]
Registrar = Annotated[bool, typer.Option("--registrar", help="A key that may register the fleet.")]
Label = Annotated[str, typer.Option(help="What people call it.")]
Expires = Annotated[
    str | None,
    typer.Option(
        help="When it ends: a number of days, a date (its beginning in UTC), or a time with offset."
    ),
]


@key_app.command("issue")
def issue(
    instrument: Instrument = None, registrar: Registrar = False, label: Label = "", expires: Expires = None
) -> None:
    """Issue a key. It is printed this once and stored as a digest."""
    from app.services.registering.keys import KeyRefusedError, KeyWish, UnknownReferenceError, issue_key

    _one_of_both(instrument, registrar)
    now = datetime.now(UTC)
    wish = KeyWish(_label(label), _expiry(expires, now))
    with open_database() as database:
        try:
            _show(issue_key(database, instrument, now, wish))
        except UnknownReferenceError as error:
            fail(f"{error}; register it first, for instance with `ullage fleet load`")
        except KeyRefusedError as error:
            fail(str(error))


@key_app.command("rotate")
def rotate(
    overlap_hours: Annotated[
        float, typer.Option(min=0, max=8784, help="How long the older keys stay good; 0: they end at once.")
    ],
    instrument: Instrument = None,
    registrar: Registrar = False,
    label: Label = "",
    expires: Expires = None,
) -> None:
    """Issue a key and let the older ones end after a while. It is printed this once."""
    from app.services.registering.keys import KeyRefusedError, KeyWish, UnknownReferenceError, rotate_keys

    _one_of_both(instrument, registrar)
    now = datetime.now(UTC)
    wish = KeyWish(_label(label), _expiry(expires, now))
    with open_database() as database:
        try:
            _show(rotate_keys(database, instrument, now, timedelta(hours=overlap_hours), wish))
        except (UnknownReferenceError, KeyRefusedError) as error:
            fail(str(error))


@key_app.command("list")
def list_command(instrument: Instrument = None, registrar: Registrar = False) -> None:
    """The keys of an instrument or of the registrars, oldest first; the last use is to ten minutes."""
    from app.services.registering.keys import UnknownReferenceError, list_keys

    _one_of_both(instrument, registrar)
    now = datetime.now(UTC)
    with open_database() as database:
        try:
            found = list_keys(database, instrument)
        except UnknownReferenceError as error:
            fail(str(error))
    for key in found:
        typer.echo(_line(key, now))


@key_app.command("revoke")
def revoke(
    prefix: Annotated[str, typer.Argument(help="Prefix of the key: what stands behind `ull_`, as listed.")],
) -> None:
    """Refuse a key from the next request on. It stays listed."""
    from app.services.registering.keys import KeyRefusedError, revoke_key

    with open_database() as database:
        try:
            key = revoke_key(database, prefix.removeprefix("ull_").partition("_")[0], datetime.now(UTC))
        except KeyRefusedError as error:
            fail(str(error))
    typer.echo(f"the key {key.prefix} of {key.source_code or 'a registrar'} is revoked")


def _one_of_both(instrument: str | None, registrar: bool) -> None:
    if (instrument is None) == (not registrar):
        raise typer.BadParameter("give either --instrument CODE or --registrar")


def _label(text: str) -> str:
    if not text.isprintable() or len(text) > 500:
        raise typer.BadParameter("a label is one line of at most 500 characters")
    return text.strip()


def _expiry(text: str | None, now: datetime) -> datetime | None:
    if text is None:
        return None
    if re.fullmatch(r"[0-9]{1,5}", text):
        return now + timedelta(days=int(text))
    from app.intake.iso_time import iso_time
    from app.intake.validate import ImpossibleError

    whole = f"{text}T00:00:00Z" if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text) else text
    try:
        return iso_time(whole)
    except ImpossibleError as error:
        raise typer.BadParameter(f"--expires takes a number of days, a date or a time: {error}") from None


def _show(new: "NewKey") -> None:
    typer.echo(new.key)
    if new.they_end_at is not None:
        ending = ", ".join(new.ending)
        typer.echo(f"older keys that end at {new.they_end_at:%Y-%m-%d %H:%M} UTC: {ending}", err=True)


def _line(key: "KeyRecord", now: datetime) -> str:
    words = [key.prefix, key.state(now), f"issued {key.created_at:%Y-%m-%d %H:%M}"]
    words.append(f"last used {key.last_used_at:%Y-%m-%d %H:%M}" if key.last_used_at else "never used")
    if key.expires_at is not None:
        words.append(f"expires {key.expires_at:%Y-%m-%d %H:%M}")
    if key.revoked_at is not None:
        words.append(f"revoked {key.revoked_at:%Y-%m-%d %H:%M}")
    return "  ".join([*words, key.label]).rstrip()
