"""The page of one instrument, and the figures it draws."""

from typing import Annotated, Literal

from fastapi import APIRouter, HTTPException, Path, Query
from fastapi.responses import HTMLResponse

from app.services.pages.instrument_view import agreement_figures, instrument_view
from app.web.dependencies import AppSettings, Now, Store
from app.web.inputs.parameters import PrintableText
from app.web.server.figure_response import FigureResponse
from app.web.server.templating import Render

router = APIRouter()
Code = Annotated[PrintableText, Path(max_length=200)]
Name = Annotated[PrintableText, Query(max_length=200)]
Range = Literal["6m", "1y", "3y"]


@router.get("/instruments/{code}", response_class=HTMLResponse)
def instrument(render: Render, database: Store, settings: AppSettings, code: Code) -> HTMLResponse:
    """What an instrument is, what its readings say about it, how it agrees with the laboratory."""
    view = instrument_view(database, code, render.now, settings.silence_rule, settings.check_rule)
    if view is None:
        raise HTTPException(404, f"There is no instrument {code!r}. Look it up in the list of instruments.")
    return render("instrument.html", view=view)


@router.get("/instruments/{code}/figures/agreement")
def agreement(
    database: Store,
    settings: AppSettings,
    now: Now,
    code: Code,
    compartment: Name,
    range: Range = "1y",  # noqa: A002
) -> FigureResponse:
    """Each gas on-line beside the laboratory, and their differences."""
    found = agreement_figures(database, code, compartment, now, settings.check_rule, range)
    if found is None:
        raise HTTPException(404, "There is no such instrument or compartment.")
    return FigureResponse(found)
