"""The files that laboratories sent: the list, one with its samples, and its content."""

from dataclasses import dataclass

from app.store.correcting import corrections
from app.store.database import Database
from app.store.files import files
from app.store.files.files import FileView
from app.store.pages.view_samples import SampleView, samples_by_id
from app.store.pages.views import Unit, units

FILES_SHOWN = 100
SAMPLES_SHOWN = 500


@dataclass(frozen=True, slots=True)
class FileDetail:
    """One file and the first samples that came with it, in the order of its lines."""

    file: FileView
    samples: tuple[SampleView, ...]
    units: dict[int, Unit]
    """By compartment id."""


def newest_files(database: Database) -> list[FileView]:
    """The files that came last, newest first; at most :data:`FILES_SHOWN`."""
    with database.read() as connection:
        return files.newest(connection, FILES_SHOWN)


def file_detail(database: Database, file_id: int) -> FileDetail | None:
    """A file with at most :data:`SAMPLES_SHOWN` of its samples, or None."""
    with database.read() as connection:
        found = files.by_id(connection, [file_id]).get(file_id)
        if found is None:
            return None
        ids = [row.id for row in corrections.rows_of_file(connection, file_id)[:SAMPLES_SHOWN]]
        views = samples_by_id(connection, ids)
        known = {unit.compartment_id: unit for unit in units(connection)}
        return FileDetail(found, tuple(views[i] for i in ids), known)


def file_content(database: Database, file_id: int) -> tuple[str, bytes] | None:
    """Name and content of a file as it arrived, or None."""
    with database.read() as connection:
        found = files.by_id(connection, [file_id]).get(file_id)
        content = files.content(connection, file_id)
    return (found.name, content) if found is not None and content is not None else None
