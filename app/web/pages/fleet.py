"""The fleet page, the worker's pulse that every page shows, and a few small addresses."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from app.services.instruments.presence import gone_by_unit
from app.services.pages.fleet_overview import FleetQuery, fleet_overview
from app.web.reading.parameters import PrintableText
from app.web.server.clock import now_of
from app.web.server.static_files import static_url
from app.web.server.templating import render

router = APIRouter()


@router.get("/", response_class=HTMLResponse)
def fleet(
    request: Request,
    site: Annotated[PrintableText, Query(max_length=200)] = "",
    q: Annotated[PrintableText, Query(max_length=200)] = "",
    status: Literal["", "1", "2", "3", "none"] = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> HTMLResponse:
    """Every unit, worst first. htmx asks for the list alone while a search is being typed."""
    now = now_of(request)
    query = FleetQuery(site_code=site, text=q, status=status, page=page)
    overview = fleet_overview(request.app.state.database, query, now)
    gone = gone_by_unit(request.app.state.database, now, request.app.state.settings.silence_rule)
    partial = request.headers.get("hx-target") == "fleet-list"
    template = "fleet_list.html" if partial else "fleet.html"
    return render(request, template, overview=overview, gone=gone, now=now)


@router.get("/pulse", response_class=HTMLResponse)
def pulse(request: Request) -> HTMLResponse:
    """The worker's sign of life, asked for again every few seconds by every page."""
    return render(request, "pulse.html")


@router.get("/favicon.ico")
def favicon() -> RedirectResponse:
    """Browsers ask for this name whatever the page says."""
    return RedirectResponse(static_url("icon.svg"), 308)
