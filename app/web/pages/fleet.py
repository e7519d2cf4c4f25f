"""The fleet page, the worker's pulse that every page shows, and a few small addresses."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from fastapi.responses import HTMLResponse, RedirectResponse

from app.services.instruments.presence import gone_by_unit
from app.services.pages.fleet_overview import FleetQuery, fleet_overview
from app.web.dependencies import AppSettings, Part, Store
from app.web.inputs.parameters import PrintableText
from app.web.server.static_files import static_url
from app.web.server.templating import Render

router = APIRouter()


async def _query(
    site: Annotated[PrintableText, Query(max_length=200)] = "",
    q: Annotated[PrintableText, Query(max_length=200)] = "",
    status: Literal["", "1", "2", "3", "none"] = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> FleetQuery:
    return FleetQuery(site_code=site, text=q, status=status, page=page)


@router.get("/", response_class=HTMLResponse)
def fleet(
    render: Render,
    database: Store,
    settings: AppSettings,
    query: Annotated[FleetQuery, Depends(_query)],
    part: Part = None,
) -> HTMLResponse:
    """Every unit, worst first. htmx asks for the list alone while a search is being typed."""
    overview = fleet_overview(database, query, render.now)
    gone = gone_by_unit(database, render.now, settings.silence_rule)
    template = "fleet_list.html" if part == "fleet-list" else "fleet.html"
    return render(template, overview=overview, gone=gone)


@router.get("/pulse", response_class=HTMLResponse)
def pulse(render: Render) -> HTMLResponse:
    """The worker's sign of life, asked for again every few seconds by every page."""
    return render("pulse.html")


@router.get("/favicon.ico")
def favicon() -> RedirectResponse:
    """Browsers ask for this name whatever the page says."""
    return RedirectResponse(static_url("icon.svg"), 308)
