"""The norms and methods that judge samples, each number with its source."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from app.services.pages.norm_pages import norm_tables
from app.web.server.templating import Render

router = APIRouter()


@router.get("/about/norms", response_class=HTMLResponse)
def norms(render: Render) -> HTMLResponse:
    """Every table of limits and zones as the program uses it."""
    return render("norms.html", tables=norm_tables())
