"""The upload page in all its states: form, preview, mapping, outcome. One page, so that the file stays chosen."""

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import Annotated, Any

from fastapi import Depends
from fastapi.responses import HTMLResponse

from app.domain.model import AssetKind
from app.intake.files.synonyms import meaning_of
from app.services.files.import_file import ImportPreview, UnknownUnit
from app.services.pages.upload_view import (
    asset_zones,
    known_but_excluded,
    laboratory_choices,
    unit_choices,
    units_decided,
)
from app.store.database import Database
from app.web.dependencies import Part, Store
from app.web.pages.upload_form import MOST_UNITS, Upload, said_units
from app.web.server.templating import Render, Renderer

ROWS_SHOWN = 500
NOT_LISTED = "?"
"""Chosen as the laboratory: it is not registered, or has no profile."""


@dataclass(frozen=True)
class Shown:
    """What stands under the form.

    Attributes:
        outcome: what a file would do or did; ``done``: it did.
        error: what is wrong with what was sent.
        notice: what was just done.
        mapping: what the mapping's form shows.
        mapped: the laboratory that a mapping was just saved for.
    """

    outcome: ImportPreview | None = None
    done: bool = False
    error: str = ""
    notice: str = ""
    mapping: Mapping[str, Any] | None = None
    mapped: str = ""


@dataclass(frozen=True, slots=True)
class _UploadPage:
    """The page, or for htmx the part under the form, for all that show it."""

    render: Renderer
    database: Database
    partial: bool

    def of(self, status: int = 200, sent: Upload | None = None, shown: Shown = Shown()) -> HTMLResponse:
        """``sent`` is what was sent, to be shown again."""
        fields = sent.fields if sent else {}
        context: dict[str, Any] = {
            **{field.name: getattr(shown, field.name) for field in dataclass_fields(shown)},
            "laboratories": laboratory_choices(self.database),
            "not_listed": NOT_LISTED,
            "sent": sent,
            "partial": self.partial,
            "typed": fields,
            "rows_shown": ROWS_SHOWN,
            **(_about(self.database, shown.outcome, fields) if shown.outcome else {}),
        }
        # htmx leaves a page as it is when the status is an error; the fragment tells the error in words
        template = "upload_part.html" if self.partial else "upload.html"
        return self.render(template, 200 if self.partial else status, **context)


async def _upload_page(render: Render, database: Store, part: Part = None) -> _UploadPage:
    return _UploadPage(render, database, part == "preview")


UploadPage = Annotated[_UploadPage, Depends(_upload_page)]


def _about(database: Database, outcome: ImportPreview, fields: Mapping[str, str]) -> dict[str, Any]:
    """What is to be known beside a preview or an outcome."""
    unknown = bool(outcome.unknown_units)
    return {
        "excluded": known_but_excluded(database, outcome, ROWS_SHOWN),
        "zones": asset_zones(database),
        "choices": unit_choices(database) if unknown else None,
        "kinds": tuple(AssetKind),
        "earlier": units_decided(database, outcome.laboratory_code) if unknown else {},
        "unknown": _numbered(outcome, fields),
        "by_serial": _by_serial(outcome),
        "said": _said(outcome, fields),
    }


def _numbered(outcome: ImportPreview, fields: Mapping[str, str]) -> list[tuple[int, UnknownUnit]]:
    """The unknown units, each with its number in the form: the one it had before, else a free one."""
    numbers = {fields[k]: i for i in range(MOST_UNITS) if (k := f"unit-text-{i}") in fields}
    free = iter(sorted(set(range(MOST_UNITS)) - set(numbers.values())))
    asked = ((numbers.get(unit.text), unit) for unit in outcome.unknown_units[: MOST_UNITS // 4])
    return [(next(free) if number is None else number, unit) for number, unit in asked]


def _said(outcome: ImportPreview, fields: Mapping[str, str]) -> list[tuple[int, str, str]]:
    """What was said of units and is known now, to be sent again: number, text, asset code."""
    open_still = {unit.text for unit in outcome.unknown_units}
    return [(i, text, said) for text, (i, said) in said_units(fields).items() if text not in open_still]


def _by_serial(outcome: ImportPreview) -> set[str]:
    """Texts that are serial numbers, as far as their column's header says."""
    meanings = ((unit.text, meaning_of(unit.column)) for unit in outcome.unknown_units)
    return {text for text, meaning in meanings if meaning is not None and meaning.role == "unit_serial"}
