"""The list of instruments: who is heard, who is late, who is silent."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from app.services.instruments.presence import instrument_list
from app.web.reading.parameters import PrintableText
from app.web.server.clock import now_of
from app.web.server.templating import render

router = APIRouter()
State = Literal["", "on_time", "late", "silent", "maintenance", "never_heard"]


@router.get("/instruments", response_class=HTMLResponse)
def instruments(
    request: Request, site: Annotated[PrintableText, Query(max_length=200)] = "", state: State = ""
) -> HTMLResponse:
    """Every instrument with how it stands, the worst first."""
    now = now_of(request)
    rule = request.app.state.settings.silence_rule
    listed = instrument_list(request.app.state.database, now, rule, site, state)
    return render(request, "instruments.html", listed=listed, site=site, state=state, rule=rule, now=now)
