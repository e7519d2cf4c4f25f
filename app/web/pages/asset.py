"""The page of one asset, and the figures it draws."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Path, Query
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from app.services.instruments.presence import instruments_of_asset
from app.services.pages.asset_view import asset_view
from app.services.pages.figures import diagram_figures, trend_figures
from app.services.pages.trend_data import RANGES
from app.web.dependencies import AppSettings, Part, Store
from app.web.inputs.parameters import PrintableText, UtcTime
from app.web.server.figure_response import FigureResponse
from app.web.server.templating import Render

router = APIRouter()
Code = Annotated[PrintableText, Path(max_length=200)]
Name = Annotated[PrintableText, Query(max_length=200)]
Range = Literal["1m", "6m", "1y", "5y", "all"]
_DONE = {"acknowledged": "The alert is acknowledged.", "shelved": "The alert is shelved."}


class Asked(BaseModel):
    """What of an asset's page is asked for."""

    compartment: Annotated[PrintableText, Field(max_length=200)] | None = None
    show: Literal["laboratory", "instrument", "all"] | None = None
    before: UtcTime | None = Field(default=None, description="show samples older than this time")
    done: str = Field(default="", description="what a form just did, told once on the page it leads back to")


@router.get("/assets/{code}", response_class=HTMLResponse)
def asset(
    render: Render,
    database: Store,
    settings: AppSettings,
    code: Code,
    asked: Annotated[Asked, Query()],
    part: Part = None,
) -> HTMLResponse:
    """Verdict, evidence, trends, diagrams, history and alerts of one compartment of an asset."""
    try:
        view = asset_view(database, code, asked.compartment, show=asked.show, before=asked.before)
    except LookupError as error:
        raise HTTPException(404, str(error.args[0])) from error
    if view is None:
        raise HTTPException(404, f"There is no asset {code!r}. Look it up on the fleet page.")
    return render(
        "history.html" if part == "history" else "asset.html",
        view=view,
        instruments=instruments_of_asset(database, code, render.now, settings.silence_rule),
        ranges=RANGES,
        notice=_DONE.get(asked.done, ""),
    )


@router.get("/assets/{code}/figures/trend")
def trend(database: Store, code: Code, compartment: Name, range: Range = "1y") -> FigureResponse:  # noqa: A002
    """Figures of every quantity that has readings in the window, and what was left out of them."""
    return _found(trend_figures(database, code, compartment, range))


@router.get("/assets/{code}/figures/diagrams")
def diagrams(database: Store, code: Code, compartment: Name) -> FigureResponse:
    """The diagrams of the methods that have one, with the unit's path through them."""
    return _found(diagram_figures(database, code, compartment))


def _found(answer: dict[str, Any] | None) -> FigureResponse:
    if answer is None:
        raise HTTPException(404, "There is no such compartment.")
    return FigureResponse(answer)
