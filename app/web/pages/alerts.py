"""Alerts: the list by state, one alert's history, and the forms to acknowledge and to shelve."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Annotated, Literal
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.domain.instruments.silence import SilenceRule
from app.services.alerting.handle_alert import AlertError, acknowledge, shelve
from app.services.instruments.presence import instruments_of_alert
from app.services.pages.alert_views import alert_detail, alert_groups, alert_totals
from app.store.database import Database
from app.web.dependencies import AppSettings, Now, Store
from app.web.inputs.forms import Fields, field_of
from app.web.inputs.parameters import RowId
from app.web.server.templating import Render, Renderer

router = APIRouter()
State = Literal["", "unacknowledged", "returned", "acknowledged", "shelved", "normal"]
LONGEST_AUTHOR = 200
LONGEST_NOTE = 2000
_DONE = {"acknowledged": "Acknowledged.", "shelved": "Shelved."}


@dataclass(frozen=True, slots=True)
class _AlertPage:
    """The page of one alert, for all that show it."""

    render: Renderer
    database: Database
    rule: SilenceRule

    def of(
        self, alert_id: int, *, error: str = "", who_and_why: tuple[str, str] = ("", ""), notice: str = ""
    ) -> HTMLResponse:
        found = alert_detail(self.database, alert_id)
        if found is None:
            raise HTTPException(404, f"There is no alert {alert_id}.")
        author, note = who_and_why
        return self.render(
            "alert.html",
            422 if error else 200,
            alert=found[0],
            events=found[1],
            instruments=instruments_of_alert(self.database, alert_id, self.render.now, self.rule),
            error=error,
            notice=notice,
            author=author,
            note=note,
        )


async def _alert_page(render: Render, database: Store, settings: AppSettings) -> _AlertPage:
    return _AlertPage(render, database, settings.silence_rule)


AlertPage = Annotated[_AlertPage, Depends(_alert_page)]


@router.get("/alerts", response_class=HTMLResponse)
def alerts(render: Render, database: Store, state: State = "") -> HTMLResponse:
    """Alerts grouped by state, the gravest first."""
    return render(
        "alerts.html",
        groups=alert_groups(database, state or None),
        totals=alert_totals(database),
        state=state,
    )


@router.get("/alerts/{alert_id}", response_class=HTMLResponse)
def alert(page: AlertPage, alert_id: RowId, done: str = "") -> HTMLResponse:
    """One alert with everything that happened to it and why."""
    return page.of(alert_id, notice=_DONE.get(done, ""))


@router.post("/alerts/{alert_id}/acknowledge", response_class=HTMLResponse)
def acknowledge_alert(page: AlertPage, database: Store, now: Now, alert_id: RowId, sent: Fields) -> Response:
    """Somebody has seen it."""
    author, note = _who_and_why(sent)
    try:
        acknowledge(database, alert_id, author, note, now)
    except AlertError as error:
        return page.of(alert_id, error=str(error), who_and_why=(author, note))
    return RedirectResponse(f"/alerts/{alert_id}?{urlencode({'done': 'acknowledged'})}", 303)


@router.post("/alerts/{alert_id}/shelve", response_class=HTMLResponse)
def shelve_alert(page: AlertPage, database: Store, now: Now, alert_id: RowId, sent: Fields) -> Response:
    """Hold its mails to the end of a day, in the site's time zone."""
    author, note = _who_and_why(sent)
    until = field_of(sent, "until", 40)
    found = alert_detail(database, alert_id)
    if found is None:
        raise HTTPException(404, f"There is no alert {alert_id}.")
    try:
        end = _end_of_day(until, found[0].time_zone)
        shelve(database, alert_id, end, author, note, now)
    except AlertError as error:
        return page.of(alert_id, error=str(error), who_and_why=(author, note))
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
