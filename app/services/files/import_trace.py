"""From a stored value back to its cell: the file as it arrived, read again as it was read then."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from app.intake.files.laboratory import CellPlace, read_laboratory_file
from app.intake.files.profile import Profile
from app.store.database import Database
from app.store.files import files, import_effects
from app.store.pages import view_samples


@dataclass(frozen=True, slots=True)
class SampleTrace:
    """Where the values of a sample stand in the file they came with.

    ``places`` has no entry for a quantity that was put right by hand since.
    """

    file_id: int
    filename: str
    profile: str
    imported_by: str
    unit_said_to_be: str | None
    """The text of the file that a person said means this unit; None when it was found by itself."""
    places: Mapping[str, CellPlace]


def trace_sample(database: Database, sample_id: int) -> SampleTrace | None:
    """Where each reading of a sample was read, or None when it came with no file."""
    with database.read() as connection:
        sample = view_samples.samples_by_id(connection, [sample_id]).get(sample_id)
        if sample is None or sample.file_id is None:
            return None
        done = import_effects.import_of(connection, sample.file_id, sample.received_at)
        content = files.content(connection, sample.file_id)
        view = files.by_id(connection, [sample.file_id]).get(sample.file_id)
    if done is None or content is None or view is None:
        return None
    profile = Profile.model_validate_json(json.dumps(dict(done.profile)))
    rows, _ = read_laboratory_file(content, profile)
    row = next((row for row in rows if row.line == sample.file_line), None)
    places = {}
    if row is not None:
        places = {q: row.place(q) for q, reading in sample.readings.items() if row.readings.get(q) == reading}
    said = next((text for text in row.units.values() if text in done.units), None) if row else None
    return SampleTrace(sample.file_id, view.name, profile.name, done.author, said, places)
