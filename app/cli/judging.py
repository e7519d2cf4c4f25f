"""``ullage interpret``, ``ullage explain`` and ``ullage reassess``: what samples mean."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from app.cli.bars import bar
from app.cli.common import (
    AsJson,
    DatabaseUrl,
    ExistingFile,
    SettingsFile,
    failing_on,
    reading_utf8,
    record,
    show,
)

GRAVEST = 3
"""Findings that a line of ``ullage interpret`` tells."""


def interpret(
    file: ExistingFile,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a row, for programs.")] = False,
    brief: Annotated[
        bool, typer.Option("--brief", help="Without trends and probabilities: ten times faster.")
    ] = False,
) -> None:
    """Interpret a plain CSV (asset,taken_at,h2,... in µL/L) without any database."""
    from app.services.judging.interpret import interpret_csv
    from app.services.judging.interpret_rows import CsvError

    with (
        reading_utf8(file),
        file.open(encoding="utf-8-sig", newline="") as text,
        failing_on(CsvError, before=f"{file}:\n"),
        bar("rows", to_stdout=True) as progress,
    ):
        for result in interpret_csv(text, progress, detailed=not brief):
            typer.echo(json.dumps(result, ensure_ascii=False) if as_json else _in_words(result))


def _in_words(result: dict[str, Any]) -> str:
    """One line a sample: status, course with its gravity, fault, then the gravest findings, or why there are none."""
    from app.domain.findings import Course
    from app.domain.judging.course.states import state_words

    said = ["no status" if result["status"] is None else f"status {result['status']}"]
    course = result["course"]
    if course is not None:
        words = state_words(Course(course["state"], course["since"], course["gravity"]))
        said.append(f"course {words}, gravity {course['gravity']}")
    if result["suspect"]:
        said.append("confirmation sample asked for")
    if result["fault"]:
        said.append(result["fault"]["name"])
    grave = [f for f in result["findings"] if f["severity"] > 0]
    grave.sort(key=lambda f: (-f["severity"], f["rule"] != "extreme"))
    reasons = [f["text"] for f in grave[:GRAVEST]] or list(result["status_reasons"])
    if len(grave) > GRAVEST:
        reasons.append(f"({len(grave) - GRAVEST} more)")
    return f"{result['asset']} {result['taken_at']}: {', '.join(said)}. {' '.join(reasons)}"


def explain(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", exists=True, dir_okay=False, help="A plain CSV.")
    ] = None,
    row: Annotated[
        int | None, typer.Option(min=1, help="Row of the file, the first below the header being 1.")
    ] = None,
    sample: Annotated[int | None, typer.Option(min=1, help="Or the id of a stored sample.")] = None,
    url: DatabaseUrl = None,
    settings: SettingsFile = None,
) -> None:
    """Print how one sample is judged today, step by step, as a person would check it by hand."""
    from app.services.judging.explain import UnknownSampleError, explain_csv, explain_sample
    from app.services.judging.interpret_rows import CsvError

    if (file is None) == (sample is None) or (file is None) != (row is None):
        raise typer.BadParameter("give either FILE and --row N, or --sample ID")
    if file is not None and row is not None:
        with (
            reading_utf8(file),
            file.open(encoding="utf-8-sig", newline="") as text,
            failing_on(CsvError, before=f"{file}:\n"),
        ):
            lines = list(explain_csv(text, row))
    else:
        with record(url, settings) as database, failing_on(UnknownSampleError):
            lines = list(explain_sample(database, sample or 0))
    for line in lines:
        typer.echo(line)


def reassess(url: DatabaseUrl = None, settings: SettingsFile = None, as_json: AsJson = False) -> None:
    """Judge all stored samples again by the present rules. Alerts stay as they are and nobody is mailed."""
    from app.services.rejudging.reassess import reassess as service

    with record(url, settings) as database, bar("series") as progress:
        judged, changed = service(database, datetime.now(UTC), progress)
    said = f"{judged} samples judged, {changed} assessments changed"
    show({"judged": judged, "changed": changed}, [said], as_json=as_json)
