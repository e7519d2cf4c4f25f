"""Writes samples as the demo's laboratory delivers them: the inverse of reading a file with its profile."""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from app.demo.fleet import DemoFleet
from app.demo.generator import seed_of
from app.demo.history import Demo
from app.domain.model import Sample
from app.intake.files.profile import Profile, ReadingColumn, load_profile

RECENT_UNITS: Final = ("QUE-T1", "QUE-T2", "OST-T2", "ZEP-S1")
REMARKS: Final = {"QUE-T1": "Extra sample asked for by the owner"}


def write_recent_files(folder: Path, demo: Demo, fleet: DemoFleet) -> list[Path]:
    """Two files of samples drawn yesterday: one that can be imported, and one with mistakes to be told of."""
    at = (demo.grid.end - timedelta(days=1)).replace(second=0, microsecond=0)
    samples = []
    for number, code in enumerate(RECENT_UNITS):
        rng = np.random.default_rng(seed_of(demo.seed, "recent", code))
        samples.append(
            demo.laboratory_sample(fleet.laboratory.code, code, at + timedelta(minutes=25 * number), rng)
        )
    good = laboratory_csv(samples, fleet)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"quillfen_{at:%Y-%m-%d}.csv", folder / f"quillfen_{at:%Y-%m-%d}_with_mistakes.csv"]
    for path, text in zip(paths, (good, spoiled(good, fleet)), strict=True):
        path.write_bytes(text.encode("cp1252"))
    return paths


def laboratory_csv(samples: Sequence[Sample], fleet: DemoFleet) -> str:
    """A file of these samples in the layout of the laboratory's profile; times in the site's time zone."""
    profile = load_profile(fleet.laboratory.profile or "")
    out = io.StringIO()
    writer = csv.writer(out, delimiter=profile.delimiters[0], lineterminator="\r\n")
    header = list(profile.columns)
    writer.writerow(header)
    for sample in samples:
        cells = _cells(sample, fleet, profile)
        writer.writerow([cells.get(column, "") for column in header])
    return out.getvalue()


def _cells(sample: Sample, fleet: DemoFleet, profile: Profile) -> Mapping[str, str]:
    asset = next(a for a in fleet.assets if a.code == sample.asset_code)
    local = sample.taken_at.astimezone(ZoneInfo(fleet.time_zones[asset.site_code]))
    cells = {unit.column: (asset.code if unit.by == "code" else asset.serial or "") for unit in profile.unit}
    cells |= _when(local, profile)
    for name, own in profile.compartment.names.items():
        if own == sample.compartment and profile.compartment.column:
            cells[profile.compartment.column] = name
    if profile.laboratory_number:
        cells[profile.laboratory_number] = sample.laboratory_number or ""
    if profile.remark:
        cells[profile.remark] = REMARKS.get(asset.code, "")
    for column in profile.readings:
        cells[column.column] = _number(sample, column, profile)
    return cells


def _when(local: datetime, profile: Profile) -> dict[str, str]:
    date, _, clock = local.strftime(profile.time.formats[0]).partition(" ")
    if profile.time.time is None:
        return {profile.time.date: f"{date} {clock}".strip()}
    return {profile.time.date: date, profile.time.time: clock}


def _number(sample: Sample, column: ReadingColumn, profile: Profile) -> str:
    reading = sample.readings.get(column.quantity)
    if reading is None:
        return profile.not_measured[0]
    if profile.conversion(column).own(1.0) != 1.0:
        raise ValueError(f"{column.column}: the demo writes the program's own units only, not {column.unit}")
    text = f"{reading.number:.10g}".replace(".", profile.decimal_mark)
    return text if reading.below is None else f"<{text}"


def spoiled(text: str, fleet: DemoFleet) -> str:
    """The same file with three mistakes people make: a wrong plant number, a swapped date, a decimal point."""
    profile = load_profile(fleet.laboratory.profile or "")
    rows = list(csv.reader(io.StringIO(text), delimiter=profile.delimiters[0]))
    place = {name: i for i, name in enumerate(rows[0])}
    for unit in profile.unit:
        rows[1][place[unit.column]] = "QUE-T9"
    date = rows[2][place[profile.time.date]]
    rows[2][place[profile.time.date]] = f"31.02.{date[6:10]}"
    water = next(c.column for c in profile.readings if c.quantity == "water")
    rows[3][place[water]] = "12.4"
    out = io.StringIO()
    csv.writer(out, delimiter=profile.delimiters[0], lineterminator="\r\n").writerows(rows)
    return out.getvalue()
