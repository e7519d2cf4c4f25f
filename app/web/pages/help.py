"""The help: its pages, and a search over them. It stands when the database is gone."""

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse

from app.web.help.book import book
from app.web.help.markdown import INDEX, HelpPage
from app.web.help.search import MOST_RESULTS
from app.web.inputs.parameters import PrintableText
from app.web.server.templating import Render, Renderer

router = APIRouter()


@router.get("/help", response_class=HTMLResponse)
def first_page(render: Render) -> HTMLResponse:
    """The first page, which lists all."""
    return _shown(render, book().pages[INDEX])


@router.get("/help/search", response_class=HTMLResponse)
def search(render: Render, q: Annotated[PrintableText, Query(max_length=200)] = "") -> HTMLResponse:
    """The sections that fit best, each with its passage."""
    found = book().index.search(q)
    return render.alone("help/search.html", book=book(), query=q, results=found, most=MOST_RESULTS)


@router.get("/help/{name}", response_class=HTMLResponse)
def one_page(render: Render, name: str) -> HTMLResponse:
    """One page by its name."""
    page = book().pages.get(name)
    if page is None or name == INDEX:
        raise HTTPException(404, "There is no such page in the help.")
    return _shown(render, page)


def _shown(render: Renderer, page: HelpPage) -> HTMLResponse:
    pages = [book().pages[INDEX], *(one for part in book().parts for one in part.pages)]
    after = pages[pages.index(page) + 1 :]
    return render.alone(
        "help/page.html", book=book(), query="", page=page, following=after[0] if after else None
    )
