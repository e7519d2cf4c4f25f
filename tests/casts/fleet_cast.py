"""What many tests share: the small fleet of ``tests/data/fleet.yaml``, the moment at which they stand, quiet gases."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Final

NOW: Final = datetime(2026, 3, 1, 12, tzinfo=UTC)
"""The moment at which the services' tests stand."""
T0: Final = datetime(2026, 3, 1, tzinfo=UTC)
"""The midnight before it, from which hours are counted."""
URL: Final = "http://ullage.example"
"""Where mails lead."""
HTML: Final = {"Accept": "text/html"}
"""The headers of a browser."""

PROJECT: Final = Path(__file__).parents[2]
TESTS: Final = PROJECT / "tests"
DATA: Final = TESTS / "data"
FLEET: Final = DATA / "fleet.yaml"
"""W-T1, W-T2, E-R1; instruments W-T1-M, W-T2-M; laboratory LAB."""

QUIET: Final = {
    "h2": 10.0,
    "ch4": 5.0,
    "c2h6": 4.0,
    "c2h4": 3.0,
    "c2h2": 0.0,
    "co": 200.0,
    "co2": 2000.0,
    "o2": 900.0,
    "n2": 50_000.0,
}
"""A laboratory sample of a sealed unit without a fault [µL/L]: O2/N2 0.018, all gases far below their norms."""


def quiet(*without: str, **other: float) -> dict[str, float]:
    """The quiet sample without some of its gases, and with others as given."""
    return {name: value for name, value in (QUIET | other).items() if name not in without}
