"""The invented fleet of sample_data/fleet.yaml, read with the reader that `ullage fleet load` uses."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from app.domain.model import Asset, ServiceEvent, Source, SourceKind
from app.errors import UnknownError
from app.intake.registering.fleet_file import parse_fleet

FLEET_FILE: Final = Path(__file__).parents[2] / "sample_data" / "fleet.yaml"


class NoFleetFileError(UnknownError):
    """The demo's fleet file is not where the source tree keeps it."""


@dataclass(frozen=True)
class DemoFleet:
    """What the demo needs of the fleet file; ``text`` is the whole of it."""

    text: str
    assets: tuple[Asset, ...]
    laboratory: Source
    instruments: tuple[Source, ...]
    service_events: tuple[ServiceEvent, ...]
    time_zones: Mapping[str, str]
    """By site code."""

    def instrument(self, code: str) -> Source:
        """Raises KeyError, naming the instruments there are."""
        for instrument in self.instruments:
            if instrument.code == code:
                return instrument
        raise KeyError(f"no instrument {code!r}; there are {', '.join(i.code for i in self.instruments)}")


def read_fleet(path: Path = FLEET_FILE) -> DemoFleet:
    """The demo's fleet.

    Raises:
        NoFleetFileError: there is no such file; the demo runs from a source tree only.
        FleetFileError: the file has been edited into something that is no fleet.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NoFleetFileError(
            f"{path.name} is missing at {path}; run the demo from a source tree, where sample_data/ is"
        ) from None
    found = parse_fleet(text, path.name)
    laboratories = [s for s in found.sources if s.kind is SourceKind.LABORATORY]
    return DemoFleet(
        text=text,
        assets=found.assets,
        laboratory=laboratories[0],
        instruments=tuple(s for s in found.sources if s.kind is SourceKind.INSTRUMENT),
        service_events=found.service_events,
        time_zones={site.code: site.time_zone for site in found.sites},
    )
