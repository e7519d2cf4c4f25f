"""The stored record as data frames."""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from app.analysis.csv_file import read_table
from app.services.exporting.export_tables import Kind
from app.services.exporting.frames import read_frame
from app.store.exporting.exports import Scope
from app.store.keeping import migrate


def samples(
    source: str | Path,
    *,
    asset: str | None = None,
    site: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Samples that count, one a row, by asset, compartment, time and source.

    Args:
        source: a database (``sqlite:///ullage.db``, ``postgresql+psycopg://USER@HOST/NAME``), or a CSV file: an export
            of samples, or any with ``asset``, ``taken_at`` and quantities.
        asset: of this unit only.
        site: of this site's units only.
        since: taken then or later; without a time zone it is UTC.
        until: taken before then.

    Returns:
        The columns of an export of samples with ``h2_below`` and its like behind each quantity; of a CSV the columns
        that it has. ``attrs["units"]`` holds the units. Times are UTC.

    Raises:
        FileNotFoundError: there is no such file.
        CsvError: naming every faulty row of a CSV.
        DatabaseUnusableError: this version of the program cannot read the database.
        UnknownScopeError: the asset or the site is not registered.
    """
    return _read("samples", source, Scope(asset, site, _utc(since), _utc(until)))


def assessments(
    source: str | Path,
    *,
    asset: str | None = None,
    site: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """What the service says of the samples that count, in the order of :func:`samples`.

    Of an on-line reading that says what the one before it said only status, suspicion and fault are stored. Arguments
    and errors are those of :func:`samples`; a CSV is an export of assessments.
    """
    return _read("assessments", source, Scope(asset, site, _utc(since), _utc(until)))


def _read(kind: Kind, source: str | Path, scope: Scope) -> pd.DataFrame:
    if "://" not in str(source):
        return _within(read_table(kind, Path(source)), scope)
    url = str(source)
    path = Path(url.partition("sqlite:///")[2])
    if url.startswith("sqlite:") and not path.is_file():  # SQLite would make an empty one
        raise FileNotFoundError(f"there is no database {path}")
    database = migrate.open_database(url)
    try:
        if not migrate.is_up_to_date(database):
            raise migrate.DatabaseUnusableError("the database is not up to date: run `ullage db upgrade`")
        return read_frame(database, kind, scope)
    finally:
        database.dispose()


def _within(frame: pd.DataFrame, scope: Scope) -> pd.DataFrame:
    kept = pd.Series(True, index=frame.index)
    for name, code in (("asset", scope.asset), ("site", scope.site)):
        if code is not None:
            kept &= frame[name] == code
    if scope.since is not None:
        kept &= frame["taken_at"] >= scope.since
    if scope.until is not None:
        kept &= frame["taken_at"] < scope.until
    return frame[kept].reset_index(drop=True)


def _utc(at: datetime | None) -> datetime | None:
    return at.replace(tzinfo=UTC) if at is not None and at.tzinfo is None else at
