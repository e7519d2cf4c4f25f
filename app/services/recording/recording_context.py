"""What is known around some posts while they are recorded: read once, before the first reading is looked at."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from app.domain.recording.maintenance import Spell
from app.services.judging.context import JudgingContext, judging_context
from app.services.recording.post_parts import Part
from app.services.recording.series_memory import SeriesMemory
from app.store.database import Connection
from app.store.recording import instrument_states
from app.store.recording.instrument_states import Heard
from app.store.registering import maintenance


@dataclass(frozen=True, slots=True)
class RecordingTerms:
    """When it is recorded, where a mail about it leads, and what this process remembers of the series."""

    now: datetime
    public_url: str
    memory: SeriesMemory


@dataclass(frozen=True, slots=True)
class RecordingContext:
    """The terms, and what the record says around the posts; mappings are by source id.

    Attributes:
        tokens: what an instrument's stored readings will be known by after this.
    """

    terms: RecordingTerms
    judging: JudgingContext
    heard: Mapping[int, Heard]
    tokens: Mapping[int, int]
    spells: Mapping[int, Sequence[Spell]]

    def forgetful(self) -> "RecordingContext":
        """The same without what the process remembers: what was just stored is not in it yet."""
        return replace(self, terms=replace(self.terms, memory=SeriesMemory()))


def recording_context(
    connection: Connection, parts: Sequence[Part], terms: RecordingTerms
) -> RecordingContext:
    """Read what the parts of some posts need."""
    times = [at for part in parts for at in part.times()]
    sources = sorted({part.source.id for part in parts})
    ids = sorted({part.compartment_id for part in parts})
    nothing = JudgingContext({}, {}, [], {})
    return RecordingContext(
        terms,
        judging_context(connection, ids, (min(times), max(times))) if times else nothing,
        instrument_states.newest_heard(connection, sources),
        {source_id: instrument_states.new_token() for source_id in sources},
        maintenance.spells(connection, sources),
    )
