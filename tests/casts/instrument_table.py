"""`python tests/casts/instrument_table.py`: found, missed and false of every kind, on series of our own making.

The thresholds were set on seeds from 1000; the table and the tests use seeds from 5000.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from instrument_faults import KINDS, Spoiled
from instrument_series import START, Year, healthy

from app.domain.instruments.findings import InstrumentFinding
from app.domain.instruments.rules import look
from app.domain.judging.frame import to_days

FIRST_SEED = 5000
SERIES = 24
"""Of each kind, and of clean years."""
LOOKS_AFTER = (1.5, 3.0, 7.0, 14.0, 28.0)
"""Days after the beginning at which the record is looked at."""
DRIFT_LOOKS = (365.0, 500.0, 650.0, 800.0, 899.0)
CLEAN_LOOKS = np.arange(40.0, 366.0, 14.0)
CLEAN_LONG_LOOKS = (365.0, 500.0, 650.0, 800.0, 899.0)


@dataclass
class Row:
    """One kind: series that were found, found under another name only, missed; and false statements."""

    series: int = 0
    found: int = 0
    other_name: int = 0
    missed: int = 0
    false: int = 0
    """Series with a statement about a quantity that nothing was wrong with, or about a time before."""
    variants: dict[str, list[int]] = field(default_factory=dict)
    missed_seeds: list[int] = field(default_factory=list)
    false_told: list[str] = field(default_factory=list)


def spoiled_row(kind: str, seeds: range) -> Row:
    """What is found in the spoiled series of one kind."""
    row = Row()
    for seed in seeds:
        given = KINDS[kind](seed)
        said = list(_looked_at(given))
        concerned = [f for f in said if _concerns(given, f)]
        named = any(f.kind.value == kind for f in concerned)
        wrong = [f for f in said if not _concerns(given, f)]
        row.series += 1
        row.found += named
        row.other_name += bool(concerned) and not named
        row.missed += not concerned
        row.false += bool(wrong)
        count = row.variants.setdefault(given.variant, [0, 0])
        count[0] += named
        count[1] += 1
        if not named:
            row.missed_seeds.append(seed)
        row.false_told += [f"{seed}: {f.text}" for f in wrong]
    return row


def _looked_at(given: Spoiled) -> Iterator[InstrumentFinding]:
    looks = (
        [START + d for d in DRIFT_LOOKS] if given.kind == "drift" else [given.begins + d for d in LOOKS_AFTER]
    )
    for now in looks:
        if now <= given.year.at[-1] + 1.0:
            yield from look(given.year.record(now))


def _concerns(given: Spoiled, finding: InstrumentFinding) -> bool:
    """A daily cycle is seen over the month looked at, so its beginning may be told too early by that."""
    early = 31.0 if finding.kind.value == "daily_cycle" else 2.0
    return finding.quantity in given.quantities and to_days(finding.begins_at) >= given.begins - early


def clean_row(seeds: range) -> tuple[Row, int]:
    """Statements about healthy monitors, a look a fortnight, and three healthy years against the laboratory."""
    row, looks = Row(), 0
    for seed in seeds:
        told: list[InstrumentFinding] = []
        for year, times in ((healthy(seed), CLEAN_LOOKS), (_long(seed), CLEAN_LONG_LOOKS)):
            for day in times:
                told += look(year.record(START + float(day)))
                looks += 1
        row.series += 1
        row.false += bool(told)
        row.false_told += [f"{seed}: {f.text}" for f in told]
    return row, looks


def _long(seed: int) -> Year:
    return healthy(seed, days=900, lab_days=float(np.random.default_rng(seed).choice([30.0, 61.0, 91.0])))


def main() -> None:
    seeds = range(FIRST_SEED, FIRST_SEED + SERIES)
    lines = [
        "| kind | series | found | under another name | missed | series with a false one |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    details = []
    for kind in KINDS:
        row = spoiled_row(kind, seeds)
        lines.append(
            f"| {kind} | {row.series} | {row.found} | {row.other_name} | {row.missed} | {row.false} |"
        )
        parts = ", ".join(f"{name} {a} of {b}" for name, (a, b) in sorted(row.variants.items()))
        details.append(
            f"{kind}: {parts}; not found as such: seeds {row.missed_seeds}; false: {row.false_told}"
        )
    row, looks = clean_row(seeds)
    lines.append(f"| clean, {looks} looks | {row.series} | – | – | – | {row.false} |")
    details.append(f"clean: false: {row.false_told}")
    sys.stdout.write("\n".join([*lines, "", *details, ""]))


if __name__ == "__main__":
    main()
