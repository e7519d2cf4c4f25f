"""The invented fleet of sample_data/fleet.yaml, read with the reader that `ullage fleet load` uses."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import yaml

from app.domain.model import (
    Asset,
    AssetKind,
    EventKind,
    Preservation,
    ServiceEvent,
    Source,
    SourceKind,
    TapChanger,
)

FLEET_FILE: Final = Path(__file__).parents[2] / "sample_data" / "fleet.yaml"


@dataclass(frozen=True)
class DemoFleet:
    """What the demo needs of the fleet file; ``text`` is the whole of it."""

    text: str
    assets: tuple[Asset, ...]
    laboratory: Source
    instruments: tuple[Source, ...]
    service_events: tuple[ServiceEvent, ...]

    def instrument(self, code: str) -> Source:
        """Raises KeyError, naming the instruments there are."""
        for instrument in self.instruments:
            if instrument.code == code:
                return instrument
        raise KeyError(f"no instrument {code!r}; there are {', '.join(i.code for i in self.instruments)}")


def read_fleet(path: Path = FLEET_FILE) -> DemoFleet:
    text = path.read_text(encoding="utf-8")
    d = yaml.safe_load(text)
    return DemoFleet(
        text,
        tuple(
            Asset(
                a["code"],
                a["name"],
                a["site"],
                AssetKind(a["kind"]),
                year_energized=a["year_energized"],
                preservation=Preservation(a["preservation"]),
                tap_changer=TapChanger(a["tap_changer"]),
            )
            for a in d["assets"]
        ),
        Source("QUILLFEN", "", SourceKind.LABORATORY),
        tuple(
            Source(i["code"], i["name"], SourceKind.INSTRUMENT, i["asset"], tuple(i["compartments"]), 240)
            for i in d["instruments"]
        ),
        tuple(
            ServiceEvent(e["asset"], e["compartment"], e["at"], EventKind(e["kind"]))
            for e in d["service_events"]
        ),
    )
