"""Alerts: the list by state, one alert's history, and the forms to acknowledge and to shelve."""

from collections.abc import Mapping
from datetime import UTC, datetime, time
from typing import Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.services.alerting.handle_alert import AlertError, acknowledge, shelve
from app.services.instruments.presence import instruments_of_alert
from app.services.pages.alert_views import alert_detail, alert_groups, alert_totals
from app.web.reading.forms import Fields, field_of
from app.web.reading.parameters import RowId
from app.web.server.clock import now_of
from app.web.server.templating import render

router = APIRouter()
State = Literal["", "unacknowledged", "returned", "acknowledged", "shelved", "normal"]
LONGEST_AUTHOR = 200
LONGEST_NOTE = 2000


@router.get("/alerts", response_class=HTMLResponse)
def alerts(request: Request, state: State = "") -> HTMLResponse:
    """Alerts grouped by state, the gravest first."""
    database = request.app.state.database
    return render(
        request,
        "alerts.html",
        groups=alert_groups(database, state or None),
        totals=alert_totals(database),
        state=state,
    )


@router.get("/alerts/{alert_id}", response_class=HTMLResponse)
def alert(request: Request, alert_id: RowId) -> HTMLResponse:
    """One alert with everything that happened to it and why."""
    return _alert_page(request, alert_id)


@router.post("/alerts/{alert_id}/acknowledge", response_class=HTMLResponse)
def acknowledge_alert(request: Request, alert_id: RowId, sent: Fields) -> Response:
    """Somebody has seen it."""
    author, note = _who_and_why(sent)
    try:
        acknowledge(request.app.state.database, alert_id, author, note, now_of(request))
    except AlertError as error:
        return _alert_page(request, alert_id, str(error), author, note)
    return RedirectResponse(f"/alerts/{alert_id}?{urlencode({'done': 'acknowledged'})}", 303)


@router.post("/alerts/{alert_id}/shelve", response_class=HTMLResponse)
def shelve_alert(request: Request, alert_id: RowId, sent: Fields) -> Response:
    """Hold its mails to the end of a day, in the site's time zone."""
    author, note = _who_and_why(sent)
    until = field_of(sent, "until", 40)
    database = request.app.state.database
    found = alert_detail(database, alert_id)
    if found is None:
        raise HTTPException(404, f"There is no alert {alert_id}.")
    try:
        end = _end_of_day(until, found[0].time_zone)
        shelve(database, alert_id, end, author, note, now_of(request))
    except AlertError as error:
        return _alert_page(request, alert_id, str(error), author, note)
    return RedirectResponse(f"/alerts/{alert_id}?{urlencode({'done': 'shelved'})}", 303)


def _end_of_day(text: str, zone: str) -> datetime:
    try:
        day = datetime.strptime(text.strip(), "%Y-%m-%d").date()  # noqa: DTZ007
    except ValueError:
        raise AlertError(f"until: {text!r} is not a day; write it as 2026-12-31") from None
    try:
        return datetime.combine(day, time(23, 59, 59), ZoneInfo(zone)).astimezone(UTC)
    except OverflowError:
        raise AlertError(f"until: the year {day.year} is out of range") from None


def _who_and_why(sent: Mapping[str, str]) -> tuple[str, str]:
    return field_of(sent, "author", LONGEST_AUTHOR), field_of(sent, "note", LONGEST_NOTE)


def _alert_page(
    request: Request, alert_id: int, error: str = "", author: str = "", note: str = ""
) -> HTMLResponse:
    database, now = request.app.state.database, now_of(request)
    found = alert_detail(database, alert_id)
    if found is None:
        raise HTTPException(404, f"There is no alert {alert_id}.")
    done = {"acknowledged": "Acknowledged.", "shelved": "Shelved."}.get(
        request.query_params.get("done", ""), ""
    )
    return render(
        request,
        "alert.html",
        422 if error else 200,
        alert=found[0],
        events=found[1],
        instruments=instruments_of_alert(database, alert_id, now, request.app.state.settings.silence_rule),
        error=error,
        notice=done,
        author=author,
        note=note,
    )
