"""The fleet of the soak test and what its instruments measure. All invented; the same seed, the same readings."""

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import yaml

from app.services.registering.load_fleet import load_fleet
from app.services.registering.register import issue_instrument_key, issue_registrar_key
from app.store.database import Database

UNITS_A_SITE = 25
STEP = timedelta(minutes=15)
"""Between two readings of an instrument. The soak plays them faster than that, so that days go by."""
HISTORY_STEP = timedelta(hours=6)
HEALTHY = {
    "h2": 15.0,
    "ch4": 8.0,
    "c2h6": 6.0,
    "c2h4": 5.0,
    "co": 220.0,
    "co2": 2100.0,
    "o2": 9000.0,
    "n2": 60_000.0,
    "water": 8.0,
    "oil_temperature": 48.0,
}
FAULT = {"h2": 900.0, "ch4": 700.0, "c2h6": 300.0, "c2h4": 900.0, "c2h2": 12.0}
"""What a thermal fault adds when it is fully grown: far beyond the highest norms."""
RAMP, PLATEAU = 12, 30
"""Readings over which a fault grows, and for which it stays; then the oil is degassed and the levels are back."""


@dataclass
class Unit:
    """An instrument on a transformer, its own clock and its own dice."""

    code: str
    instrument: str
    key: str
    dice: random.Random
    clock: datetime
    fault_after: int | None = None
    """The reading with which a fault begins; None: it stays healthy."""
    readings: int = 0
    level: float = field(init=False)

    def __post_init__(self) -> None:
        self.level = self.dice.uniform(0.7, 1.3)

    @property
    def fault_shown(self) -> bool:
        """So far grown that everybody must have been told."""
        return self.fault_after is not None and self.readings > self.fault_after + RAMP + 5

    def measure(self, step: timedelta) -> dict[str, Any]:
        """The next reading, as it is posted."""
        self.clock += step
        self.readings += 1
        grown = self._grown()
        sample: dict[str, Any] = {"taken_at": self.clock.isoformat()}
        for name, value in HEALTHY.items():
            noisy = value * self.level * self.dice.gauss(1.0, 0.01)
            sample[name] = round(noisy + grown * FAULT.get(name, 0.0), 3)
        sample["c2h2"] = round(grown * FAULT["c2h2"], 3) if grown > 0.1 else "<0.5"
        return sample

    def _grown(self) -> float:
        if self.fault_after is None:
            return 0.0
        since = self.readings - self.fault_after
        return min(since / RAMP, 1.0) if 0 < since <= RAMP + PLATEAU else 0.0


def fleet_text(units: int) -> str:
    """The fleet file: sites of 25 units, two contacts each, an instrument a unit."""
    sites = [f"S{i:02}" for i in range(-(-units // UNITS_A_SITE))]
    codes = [f"T{i:04}" for i in range(units)]
    contacts = [
        {"code": f"planner-{s}", "name": f"Planner of {s}", "email": f"{s}@soak.example", "sites": [s]}
        for s in sites
    ]
    watch = {"code": "watch", "name": "Night watch", "email": "watch@soak.example", "sites": sites}
    fleet = {
        "sites": [{"code": s, "name": f"Yard {s}", "time_zone": "UTC"} for s in sites],
        "contacts": [*contacts, watch],
        "assets": [
            {
                "code": code,
                "name": f"Transformer {code}",
                "site": sites[i // UNITS_A_SITE],
                "year_energized": 1985 + i % 35,
                "rated_kv": 110,
                "rated_mva": 40,
                "oil_volume_l": 20_000,
                "preservation": "sealed" if i % 2 else "free_breathing",
            }
            for i, code in enumerate(codes)
        ],
        "instruments": [
            {"code": f"{c}-M", "name": f"Monitor on {c}", "asset": c, "expected_interval_minutes": 15}
            for c in codes
        ],
    }
    return yaml.safe_dump(fleet, sort_keys=False)


@dataclass(frozen=True)
class Fleet:
    units: list[Unit]
    registrar_key: str


def register(database: Database, units: int, begin: datetime, seed: int) -> Fleet:
    """Load the fleet and issue the keys; each instrument's clock stands a little after ``begin``."""
    load_fleet(database, fleet_text(units), "soak.yaml")
    now = datetime.now(UTC)
    dice = random.Random(seed)
    found = []
    for i in range(units):
        key = issue_instrument_key(database, f"T{i:04}-M", now)
        clock = begin + timedelta(microseconds=dice.randrange(900_000_000))
        found.append(Unit(f"T{i:04}", f"T{i:04}-M", key, random.Random(seed * 100_003 + i), clock))
    return Fleet(found, issue_registrar_key(database, now))


def plan_faults(units: list[Unit], readings_each: float, seed: int) -> list[Unit]:
    """One unit in ten develops a fault, spread over the run. ``readings_each``: how many a unit will post."""
    dice = random.Random(seed + 1)
    chosen = dice.sample(units, max(1, len(units) // 10))
    latest = max(1, int(readings_each) - RAMP - 10)
    for unit in chosen:
        unit.fault_after = unit.readings + dice.randrange(latest)
    return chosen
