"""The page of one asset, and the figures it draws."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse

from app.services.instruments.presence import instruments_of_asset
from app.services.pages.asset_view import asset_view
from app.services.pages.figures import diagram_figures, trend_figures
from app.services.pages.trend_data import RANGES
from app.web.reading.parameters import PrintableText, UtcTime
from app.web.server.clock import now_of
from app.web.server.figure_response import FigureResponse
from app.web.server.templating import render

router = APIRouter()
Code = Annotated[PrintableText, Path(max_length=200)]
Name = Annotated[PrintableText, Query(max_length=200)]
Range = Literal["1m", "6m", "1y", "5y", "all"]


@router.get("/assets/{code}", response_class=HTMLResponse)
def asset(
    request: Request,
    code: Code,
    compartment: Annotated[PrintableText | None, Query(max_length=200)] = None,
    show: Literal["laboratory", "instrument", "all"] | None = None,
    before: Annotated[UtcTime | None, Query(description="show samples older than this time")] = None,
) -> HTMLResponse:
    """Verdict, evidence, trends, diagrams, history and alerts of one compartment of an asset."""
    try:
        view = asset_view(request.app.state.database, code, compartment, show=show, before=before)
    except LookupError as error:
        raise HTTPException(404, str(error.args[0])) from error
    if view is None:
        raise HTTPException(404, f"There is no asset {code!r}. Look it up on the fleet page.")
    partial = request.headers.get("hx-target") == "history"
    now = now_of(request)
    rule = request.app.state.settings.silence_rule
    return render(
        request,
        "history.html" if partial else "asset.html",
        view=view,
        now=now,
        instruments=instruments_of_asset(request.app.state.database, code, now, rule),
        ranges=RANGES,
        notice=_notice(request),
    )


@router.get("/assets/{code}/figures/trend")
def trend(request: Request, code: Code, compartment: Name, range: Range = "1y") -> FigureResponse:  # noqa: A002
    """Figures of every quantity that has readings in the window, and what was left out of them."""
    return _found(trend_figures(request.app.state.database, code, compartment, range))


@router.get("/assets/{code}/figures/diagrams")
def diagrams(request: Request, code: Code, compartment: Name) -> FigureResponse:
    """The diagrams of the methods that have one, with the unit's path through them."""
    return _found(diagram_figures(request.app.state.database, code, compartment))


def _found(answer: dict[str, Any] | None) -> FigureResponse:
    if answer is None:
        raise HTTPException(404, "There is no such compartment.")
    return FigureResponse(answer)


def _notice(request: Request) -> str:
    """What a form just did, told once on the page it leads back to."""
    words = {"acknowledged": "The alert is acknowledged.", "shelved": "The alert is shelved."}
    return words.get(request.query_params.get("done", ""), "")
