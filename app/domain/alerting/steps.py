"""Next steps about an instrument that is silent or reads wrong: data, ``app/science/tables/notice_steps.csv``.

What to do about a sample is in :mod:`app.domain.alerting.advice`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from app.domain.alerting.cautions import CAUTIONS
from app.domain.alerting.notices import NextSteps
from app.domain.findings import PRACTICE
from app.science.tables import cited, rows


@dataclass(frozen=True, slots=True)
class Action:
    """One step to take. ``source`` cites the clause or says that it is common practice."""

    text: str
    due: date | None
    source: str


def next_steps(asked: NextSteps, now: datetime, zone: ZoneInfo) -> tuple[Action, ...]:
    """The steps of a case in their order; days are counted from now and end at the site's midnight.

    Raises:
        LookupError: the table has no row for the case.
    """
    found = sorted(_rows(asked), key=lambda row: int(row["order"]))
    if not found:
        raise LookupError(f"the table of next steps has no row for {asked.case!r}")
    days = "days_if_gassing" if asked.gassing else "days"
    return tuple(
        Action(
            row["step"].format_map(asked.fills),
            (now + timedelta(days=int(row[days]))).astimezone(zone).date() if row[days] else None,
            asked_by(row),
        )
        for row in found
    )


def cautions_of(asked: NextSteps) -> tuple[str, ...]:
    """Those that any of the steps calls for."""
    named = {name for row in _rows(asked) for name in row["cautions"].split()}
    return tuple(text for name, texts in CAUTIONS.items() if name in named for text in texts)


def _rows(asked: NextSteps) -> Iterator[dict[str, str]]:
    wanted = {"", "gassing" if asked.gassing else "not gassing"}
    for row in rows("notice_steps"):
        if asked.case in row["cases"].split() and row["when"] in wanted:
            yield row


def asked_by(row: Mapping[str, str]) -> str:
    """Where a step was read; the guide that asks for a step without a day count is named as such."""
    if row["provenance"] == "standard":
        return cited(row)
    if row["source"] == "common practice":
        return PRACTICE
    return f"common practice; {cited(row)} gives no day count"
