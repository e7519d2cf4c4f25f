"""The list of instruments: who is heard, who is late, who is silent."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from app.services.instruments.presence import instrument_list
from app.web.dependencies import AppSettings, Store
from app.web.inputs.parameters import PrintableText
from app.web.server.templating import Render

router = APIRouter()
State = Literal["", "on_time", "late", "silent", "maintenance", "never_heard"]


@router.get("/instruments", response_class=HTMLResponse)
def instruments(
    render: Render,
    database: Store,
    settings: AppSettings,
    site: Annotated[PrintableText, Query(max_length=200)] = "",
    state: State = "",
) -> HTMLResponse:
    """Every instrument with how it stands, the worst first."""
    rule = settings.silence_rule
    listed = instrument_list(database, render.now, rule, site, state)
    return render("instruments.html", listed=listed, site=site, state=state, rule=rule)
