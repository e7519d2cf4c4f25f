"""From what a laboratory writes to a sample of a compartment that is registered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from difflib import get_close_matches
from functools import cache

from app.domain.model import Rejection, Sample, SourceKind
from app.intake.files.laboratory import LaboratoryRow
from app.intake.files.profile import Profile, UnitColumn
from app.intake.local_time import to_utc
from app.intake.numbers import shown
from app.intake.validate import EARLIEST_LABORATORY, ImpossibleError, check_time
from app.services.files.import_outcome import UnknownUnit
from app.store.registering.fleet import AssetIndex
from app.store.registering.source_lookup import StoredSource


@dataclass(frozen=True, slots=True)
class JudgingContext:
    """What is known besides the rows.

    Attributes:
        source_code: who sent the file; measured every row of it unless the row names somebody else.
        filename: for the samples' origin.
        now: the server's time.
        units: asset code by the text that stands for it in the file, as a person decided.
        sources: the registered sources that rows name, by code.
    """

    source_code: str
    filename: str
    now: datetime
    units: Mapping[str, str] = field(default_factory=dict)
    sources: Mapping[str, StoredSource] = field(default_factory=dict)


class RowResolver:
    """From what a row says to a sample of a compartment we know; gathers ``problems`` and ``repeats``."""

    def __init__(self, index: AssetIndex, profile: Profile, around: JudgingContext) -> None:
        self.index = index
        self.profile = profile
        self.around = around
        self.problems: list[Rejection] = []
        self.repeats: dict[int, int] = {}
        """Line of a repeated row -> the line it repeats."""
        self._seen: dict[tuple[str, str, str, datetime], tuple[int, Sample]] = {}
        self._unknown_lines: dict[tuple[str, str], list[int]] = {}
        self._near = cache(self._written_alike)

    @property
    def unknown_units(self) -> tuple[UnknownUnit, ...]:
        """The texts that no unit is registered under, each once, in the order of the file."""
        return tuple(
            UnknownUnit(text, column, tuple(lines), self._near(text))
            for (text, column), lines in self._unknown_lines.items()
        )

    def sample(self, row: LaboratoryRow) -> Sample | None:
        asset = self._asset(row)
        if asset is None:
            return None
        compartment = self._compartment(row, asset)
        at = self._taken_at(row, asset)
        source = None if compartment is None else self._source(row, asset, compartment)
        if compartment is None or at is None or source is None:
            return None
        sample = Sample(
            asset_code=asset,
            compartment=compartment,
            source_code=source,
            taken_at=at,
            readings=row.readings,
            origin={"file": self.around.filename, "line": row.line},
            laboratory_number=row.laboratory_number,
            remark=row.remark,
        )
        return sample if self._is_first_of_its_time(row, sample) else None

    def _problem(self, row: LaboratoryRow, field: str, column: str | None, reason: str) -> None:
        text = row.units.get(column) if column else None
        self.problems.append(Rejection(field, reason, line=row.line, column=column, text=text))

    def _asset(self, row: LaboratoryRow) -> str | None:
        """The one asset that all columns which say anything agree on; a name only where nothing surer is.

        What a person decided about a text of the row goes before what is registered.
        """
        decided = {code for text in row.units.values() if (code := self.around.units.get(text)) is not None}
        if decided:
            return self._decided(row, decided)
        sure = [unit for unit in self.profile.unit if unit.by != "name"]
        names = [unit for unit in self.profile.unit if unit.by == "name"]
        for columns in (sure, names):
            given = [unit for unit in columns if unit.column in row.units]
            found = {unit.column: self._find(row, unit) for unit in given}
            known = {column: codes for column, codes in found.items() if codes}
            if known:
                return self._agreed(row, given, known)
        column, text = next(iter(row.units.items()))
        self._unknown_lines.setdefault((text, column), []).append(row.line)
        self._problem(row, "unit", column, self._unknown(text))
        return None

    def _decided(self, row: LaboratoryRow, decided: set[str]) -> str | None:
        column = next(c for c, text in row.units.items() if text in self.around.units)
        if len(decided) > 1:
            told = " and ".join(sorted(decided))
            self._problem(row, "unit", column, f"the texts of this row were said to be {told}; choose one")
            return None
        (code,) = decided
        if code not in self.index.by_code:
            self._problem(row, "unit", column, f"was said to be {shown(code)}, which is not registered")
            return None
        return code

    def _find(self, row: LaboratoryRow, unit: UnitColumn) -> list[str]:
        return self.index.find(row.units[unit.column], (unit.by,))

    def _agreed(
        self, row: LaboratoryRow, given: Sequence[UnitColumn], known: Mapping[str, list[str]]
    ) -> str | None:
        common = set.intersection(*(set(codes) for codes in known.values()))
        first = next(iter(known))
        if len(common) > 1:
            several = ", ".join(sorted(common))
            self._problem(row, "unit", first, f"{shown(row.units[first])} may be any of {several}; say which")
            return None
        if not common:
            told = " but ".join(f"'{c}' {shown(row.units[c])} is {' or '.join(a)}" for c, a in known.items())
            self._problem(row, "unit", first, f"the row names two units: {told}; correct one of them")
            return None
        (asset,) = common
        for unit in given:
            reason = (
                self._disagrees(unit, row.units[unit.column], asset) if unit.column not in known else None
            )
            if reason is not None:
                self._problem(row, "unit", unit.column, reason)
                return None
        return asset

    def _disagrees(self, unit: UnitColumn, text: str, asset: str) -> str | None:
        """Why a text that is not registered contradicts the unit that the other columns say it is."""
        if unit.by == "code":
            return f"no unit {shown(text)} is registered, but the row's other columns say {asset}; correct one of them"
        registered = self._registered_serial(asset) if unit.by == "serial" else None
        if registered is None:
            return None
        return f"{asset} is registered with the serial number {shown(registered)}; correct one of them"

    def _registered_serial(self, asset: str) -> str | None:
        return next((serial for serial, codes in self.index.by_serial.items() if asset in codes), None)

    def _unknown(self, text: str) -> str:
        near = self._near(text)
        hint = f"was {shown(near[0])} meant?" if near else "register it first, or correct the number"
        return f"no unit {shown(text)} is registered; {hint}"

    def _written_alike(self, text: str) -> tuple[str, ...]:
        known = [*self.index.by_code, *self.index.by_serial]
        return tuple(dict.fromkeys(get_close_matches(text[:100], known, 3)))

    def _source(self, row: LaboratoryRow, asset: str, compartment: str) -> str | None:
        """Who measured: the laboratory that sent the file, or whom the row names."""
        if row.source is None:
            return self.around.source_code
        known = self.around.sources.get(row.source)
        column = self.profile.source
        if known is None:
            reason = f"{shown(row.source)} is neither an instrument nor a laboratory that is registered"
            self._problem(row, "source", column, reason)
            return None
        fitted = (known.source.asset_code, compartment in known.compartments) == (asset, True)
        if known.source.kind is SourceKind.INSTRUMENT and not fitted:
            reason = f"the instrument {shown(row.source)} does not measure {asset}, {compartment}"
            self._problem(row, "source", column, reason)
            return None
        return row.source

    def _compartment(self, row: LaboratoryRow, asset: str) -> str | None:
        has = self.index.compartments.get(asset, ())
        if row.compartment is None and len(has) == 1:
            return has[0]
        if row.compartment in has:
            return row.compartment
        column = self.profile.compartment.column
        which = (
            "does not say which"
            if row.compartment is None
            else f"has no compartment {shown(row.compartment)}"
        )
        subject = "the row" if row.compartment is None else asset
        self._problem(
            row, "compartment", column, f"{subject} {which}; {asset} has {', '.join(has) or 'none'}"
        )
        return None

    def _taken_at(self, row: LaboratoryRow, asset: str) -> datetime | None:
        spec = self.profile.time
        zone = self.index.time_zones[asset] if spec.zone == "site" else spec.zone
        try:
            if spec.zone == "offset":
                at = row.taken_at.astimezone(UTC)
            else:
                at = to_utc(row.taken_at, zone, spec.repeated_hour)
            return check_time(at, self.around.now, EARLIEST_LABORATORY)
        except OverflowError:
            self._problem(row, "taken_at", spec.date, f"the year {row.taken_at.year} is out of range")
            return None
        except ImpossibleError as error:
            self._problem(row, "taken_at", spec.date, str(error))
            return None

    def _is_first_of_its_time(self, row: LaboratoryRow, sample: Sample) -> bool:
        """False and a problem when an earlier row contradicts; a row that says the same is noted as a repeat."""
        key = (sample.asset_code, sample.compartment, sample.source_code, sample.taken_at)
        line, earlier = self._seen.setdefault(key, (row.line, sample))
        if line == row.line:
            return True
        if dict(earlier.readings) == dict(sample.readings):
            self.repeats[row.line] = line
            return True
        reason = f"line {line} already gives other readings of {key[0]}, {key[1]} at that time; remove one"
        self._problem(row, "row", None, reason)
        return False
