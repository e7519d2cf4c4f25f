"""``ullage key ...``: keys for posting and registering."""

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from app.cli.common import AsJson, DatabaseUrl, SettingsFile, fail, failing_on, record, show, time_of

if TYPE_CHECKING:
    from app.services.registering.keys import KeyRecord, KeyWish, NewKey

key_app = typer.Typer(no_args_is_help=True, help="Keys for posting and registering.")

Instrument = Annotated[
    str | None, typer.Option(metavar="CODE", help="Code of the instrument whose key it is.")
]
Registrar = Annotated[bool, typer.Option("--registrar", help="A key that may register the fleet.")]
Label = Annotated[str, typer.Option(help="What people call it.")]
Expires = Annotated[
    str | None,
    typer.Option(
        metavar="WHEN",
        help="When it ends: a number of days, a date (its beginning in UTC), or a time with offset.",
    ),
]


@key_app.command()
def issue(
    instrument: Instrument = None,
    registrar: Registrar = False,
    label: Label = "",
    expires: Expires = None,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Issue a key. It is printed this once and stored as a digest."""
    from app.services.registering.keys import KeyRefusedError, UnknownReferenceError, issue_key

    _one_of_both(instrument, registrar)
    now = datetime.now(UTC)
    with record(url, settings) as database, failing_on(KeyRefusedError):
        try:
            new = issue_key(database, instrument, now, _wish(label, expires, now))
        except UnknownReferenceError as error:
            fail(f"{error}; register it first, for instance with `ullage fleet load`")
    _show_new(new, as_json=as_json)


@key_app.command()
def rotate(
    overlap_hours: Annotated[
        float, typer.Option(min=0, max=8784, help="How long the older keys stay good; 0: they end at once.")
    ],
    instrument: Instrument = None,
    registrar: Registrar = False,
    label: Label = "",
    expires: Expires = None,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Issue a key and let the older ones end after a while. It is printed this once."""
    from app.services.registering.keys import KeyRefusedError, UnknownReferenceError, rotate_keys

    _one_of_both(instrument, registrar)
    now, overlap = datetime.now(UTC), timedelta(hours=overlap_hours)
    with record(url, settings) as database, failing_on(UnknownReferenceError, KeyRefusedError):
        new = rotate_keys(database, instrument, now, overlap, _wish(label, expires, now))
    _show_new(new, as_json=as_json)


@key_app.command("list")
def list_command(
    instrument: Instrument = None,
    registrar: Registrar = False,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """The keys of an instrument or of the registrars, oldest first; the last use is to ten minutes."""
    from app.services.registering.keys import UnknownReferenceError, list_keys

    _one_of_both(instrument, registrar)
    now = datetime.now(UTC)
    with record(url, settings) as database, failing_on(UnknownReferenceError):
        found = list_keys(database, instrument)
    show([_as_object(key, now) for key in found], (_line(key, now) for key in found), as_json=as_json)


@key_app.command()
def revoke(
    prefix: Annotated[
        str,
        typer.Argument(metavar="PREFIX", help="Of the key: what stands behind `ull_`, as it is listed."),
    ],
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
    as_json: AsJson = False,
) -> None:
    """Revoke a key: it is refused from the next request on, and stays in the list."""
    from app.services.registering.keys import KeyRefusedError, revoke_key

    now = datetime.now(UTC)
    with record(url, settings) as database, failing_on(KeyRefusedError):
        key = revoke_key(database, prefix.removeprefix("ull_").partition("_")[0], now)
    said = f"the key {key.prefix} of {key.source_code or 'a registrar'} is revoked"
    show(_as_object(key, now), [said], as_json=as_json)


def _one_of_both(instrument: str | None, registrar: bool) -> None:
    if (instrument is None) == (not registrar):
        raise typer.BadParameter("give either --instrument CODE or --registrar")


def _wish(label: str, expires: str | None, now: datetime) -> "KeyWish":
    from app.services.registering.keys import KeyWish

    if not label.isprintable() or len(label) > 500:
        raise typer.BadParameter("a label is one line of at most 500 characters")
    return KeyWish(label.strip(), _expiry(expires, now))


def _expiry(text: str | None, now: datetime) -> datetime | None:
    if text is not None and re.fullmatch(r"[0-9]{1,5}", text):
        return now + timedelta(days=int(text))
    if text is not None and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        text = f"{text}T00:00:00Z"
    return time_of("--expires takes a number of days, a date or a time", text)


def _show_new(new: "NewKey", *, as_json: bool) -> None:
    outcome = {
        "key": new.key,
        "expires_at": new.expires_at,
        "ending": new.ending,
        "they_end_at": new.they_end_at,
    }
    show(outcome, [new.key], as_json=as_json)
    if new.they_end_at is not None:
        ending = ", ".join(new.ending)
        typer.echo(f"older keys that end at {new.they_end_at:%Y-%m-%d %H:%M} UTC: {ending}", err=True)


def _as_object(key: "KeyRecord", now: datetime) -> dict[str, Any]:
    return {
        "prefix": key.prefix,
        "instrument": key.source_code,
        "label": key.label,
        "state": key.state(now),
        "created_at": key.created_at,
        "last_used_at": key.last_used_at,
        "expires_at": key.expires_at,
        "revoked_at": key.revoked_at,
    }


def _line(key: "KeyRecord", now: datetime) -> str:
    words = [key.prefix, key.state(now), f"issued {key.created_at:%Y-%m-%d %H:%M}"]
    words.append(f"last used {key.last_used_at:%Y-%m-%d %H:%M}" if key.last_used_at else "never used")
    if key.expires_at is not None:
        words.append(f"expires {key.expires_at:%Y-%m-%d %H:%M}")
    if key.revoked_at is not None:
        words.append(f"revoked {key.revoked_at:%Y-%m-%d %H:%M}")
    return "  ".join([*words, key.label]).rstrip()
