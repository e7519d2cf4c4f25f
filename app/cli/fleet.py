"""``ullage fleet ...``: what is registered."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import typer

from app.cli.common import (
    AsJson,
    DatabaseUrl,
    ExistingFile,
    SettingsFile,
    fail,
    reading_utf8,
    record,
    show,
)

if TYPE_CHECKING:
    from app.services.registering.load_fleet import FleetReport

fleet_app = typer.Typer(no_args_is_help=True, help="Sites, assets, instruments, laboratories, contacts.")


@fleet_app.command()
def load(
    file: ExistingFile, url: DatabaseUrl = None, settings: SettingsFile = None, as_json: AsJson = False
) -> None:
    """Register the fleet that a YAML file describes. Loading it again changes nothing."""
    from app.services.registering.load_fleet import FleetFileError, load_fleet

    with reading_utf8(file):
        text = file.read_text(encoding="utf-8")
    with record(url, settings) as database:
        try:
            report = load_fleet(database, text, str(file), datetime.now(UTC))
        except FleetFileError as error:
            fail(f"{error}\nnothing was stored: mend the file and load it again")
    again = report.judged_again
    outcome = {
        "counts": report.counts,
        "not_named": report.not_named,
        "judged_again": {"samples": again.samples, "changed": again.changed, "alerts": again.alerts},
    }
    show(outcome, _lines(report), as_json=as_json)


def _lines(report: "FleetReport") -> Iterator[str]:
    for section, counts in report.counts.items():
        words = ", ".join(f"{n} {result}" for result, n in sorted(counts.items())) or "none"
        yield f"{section.replace('_', ' ')}: {words}"
    for section, codes in report.not_named.items():
        yield f"registered and not named in the file, kept as they are: {section} {', '.join(codes)}"
    again = report.judged_again
    if again.samples:
        yield (
            f"judged again: {again.samples} samples, {again.changed} assessments changed,"
            f" {again.alerts} alerts eased or returned; nobody was mailed"
        )
