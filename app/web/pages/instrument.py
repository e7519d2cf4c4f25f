"""The page of one instrument, and the figures it draws."""

from typing import Annotated, Literal

from fastapi import APIRouter, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse

from app.services.pages.instrument_view import agreement_figures, instrument_view
from app.web.reading.parameters import PrintableText
from app.web.server.clock import now_of
from app.web.server.figure_response import FigureResponse
from app.web.server.templating import render

router = APIRouter()
Code = Annotated[PrintableText, Path(max_length=200)]
Name = Annotated[PrintableText, Query(max_length=200)]
Range = Literal["6m", "1y", "3y"]


@router.get("/instruments/{code}", response_class=HTMLResponse)
def instrument(request: Request, code: Code) -> HTMLResponse:
    """What an instrument is, what its readings say about it, how it agrees with the laboratory."""
    state, now = request.app.state, now_of(request)
    settings = state.settings
    view = instrument_view(state.database, code, now, settings.silence_rule, settings.check_rule)
    if view is None:
        raise HTTPException(404, f"There is no instrument {code!r}. Look it up in the list of instruments.")
    return render(request, "instrument.html", view=view, now=now)


@router.get("/instruments/{code}/figures/agreement")
def agreement(request: Request, code: Code, compartment: Name, range: Range = "1y") -> FigureResponse:  # noqa: A002
    """Each gas on-line beside the laboratory, and their differences."""
    state, now = request.app.state, now_of(request)
    found = agreement_figures(state.database, code, compartment, now, state.settings.check_rule, range)
    if found is None:
        raise HTTPException(404, "There is no such instrument or compartment.")
    return FigureResponse(found)
