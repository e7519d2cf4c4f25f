"""What the probes read, in bounded time."""

from typing import Final

from app.services.health.vital_signs import Figures, read_figures, read_vitals
from app.store.database import Database
from app.store.health.view_health import Vitals
from app.web.health.bounded import Bounded
from app.web.server.clock import Clock

PATIENCE_SECONDS: Final = 2.0
"""Less than the usual time limit of a probe (common practice: a few seconds)."""


class Probes:
    """The bounded readings of one application."""

    def __init__(self, database: Database, clock: Clock) -> None:
        self.vitals = Bounded[Vitals](lambda: read_vitals(database), PATIENCE_SECONDS)
        self.figures = Bounded[Figures](lambda: read_figures(database, clock()), PATIENCE_SECONDS)
