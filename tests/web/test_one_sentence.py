"""One sentence a finding: the page, the mail as text and HTML, the command and the interface say the same words.

Each story ends with one sample of W-T1; what must be said of it is written down by hand. Limits are those of IEEE
C57.104-2019, 6.1.3 for O2/N2 at most 0.2 and 10 to 30 years.
"""

import csv
import html
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from fleet_cast import FLEET, NOW, QUIET, URL

from app.config import load_settings
from app.domain.alerting.conditions.gassing import GASSING
from app.domain.alerting.news import AlertNews, SampleChange
from app.domain.alerting.states import Change, Reason
from app.domain.findings import Assessment
from app.domain.model import Reading, Sample
from app.domain.recording.columns import columns_of
from app.notify.content import RenderedMail, render
from app.services.exporting.read_samples import PageQuery, read_page, read_sample
from app.services.judging.explain import explain_sample
from app.services.judging.interpret import interpret_csv
from app.services.mailing.compose_alert_mail import compose
from app.services.recording.record_samples import BatchTerms, record_samples
from app.services.recording.recorder import Recorder
from app.services.registering import register
from app.services.registering.load_fleet import load_fleet
from app.store.database import Database
from app.store.registering import fleet
from app.store.registering.source_lookup import find_source
from app.web.app import create_app

Gases = Mapping[str, float | str]
COLUMN = "(O₂/N₂ 0.02, age 10-30 years)"
CLAUSE = "IEEE C57.104-2019, 6.1.2"
LATE = "2026-02-20 23:30"
"""In UTC; at the site, an hour ahead, it is the next day."""


@dataclass(frozen=True)
class Story:
    """Samples by the time they were taken [UTC], and what must be said of one of them.

    Attributes:
        says: (sentence, source) of what is above normal, and of the confirmation.
        number: (rule, quantity, value, limit, unit) of one of its findings.
        of: which sample, counted from the end; the page of the unit shows the newest only.
    """

    samples: Mapping[str, Gases]
    says: tuple[tuple[str, str], ...]
    number: tuple[str, str, float, float, str] | None = None
    online: bool = False
    of: int = -1


def monitor(days: int, hydrogen: Callable[[int], float]) -> dict[str, Gases]:
    """A reading a day until the last of February; ``hydrogen`` of the number of days before it."""
    last = datetime(2026, 2, 28, 12, tzinfo=UTC)
    return {
        f"{last - timedelta(days=back):%Y-%m-%d %H:%M}": {"h2": hydrogen(back)}
        for back in reversed(range(days))
    }


CONFIRM = ("The change is not confirmed yet: take a confirmation sample within a month.", CLAUSE)
RISE = "H₂ rose by 55 µL/L against the sample of 2025-08-13 (the norm is 40 µL/L)."
STORIES = {
    "a change against the sample before": Story(
        {"2025-08-13 12:00": {}, "2026-02-20 12:00": {"h2": 65.0}},
        ((RISE, "IEEE C57.104-2019, 6.1.3 Table 3"), CONFIRM),
        ("delta", "h2", 55.0, 40.0, "µL/L"),
    ),
    "a day is the site's own": Story(
        {LATE: {}, "2026-02-26 12:00": {"h2": 65.0}},
        (
            (
                "H₂ rose by 55 µL/L against the sample of 2026-02-21 (the norm is 40 µL/L).",
                "IEEE C57.104-2019, 6.1.3 Table 3",
            ),
        ),
    ),
    "a change from below the detection limit": Story(
        {"2025-08-13 12:00": {"c2h4": "<5"}, "2026-02-20 12:00": {"c2h4": 30.0}},
        (
            (
                "C₂H₄ rose by at least 25 µL/L against the sample of 2025-08-13, which was below 5 µL/L "
                "(the norm is 20 µL/L).",
                "IEEE C57.104-2019, 6.1.3 Table 3",
            ),
            CONFIRM,
        ),
        ("delta", "c2h4", 25.0, 20.0, "µL/L"),
    ),
    "an extreme rise to a high level": Story(
        {"2025-08-13 12:00": {}, "2026-02-20 12:00": {"c2h4": 420.0, "c2h2": 1.6}},
        (
            (
                "C₂H₄ rose by 417 µL/L against the sample of 2025-08-13, which is extreme (from 200 µL/L on): "
                "investigate at once.",
                CLAUSE,
            ),
            (
                f"C₂H₄ 420 µL/L is above the 95th percentile of 95 µL/L {COLUMN}.",
                "IEEE C57.104-2019, 6.1.3 Table 2",
            ),
            (
                f"C₂H₂ 1.6 µL/L is above the 90th percentile of 1 µL/L {COLUMN}.",
                "IEEE C57.104-2019, 6.1.3 Table 1",
            ),
            (
                "C₂H₂ rose by 1.6 µL/L against the sample of 2025-08-13 "
                "(any increase that can be measured counts).",
                "IEEE C57.104-2019, 6.1.3 Table 3",
            ),
        ),
        ("extreme", "c2h4", 417.0, 200.0, "µL/L"),
    ),
    "a rate that is confirmed": Story(
        {
            "2025-03-01 12:00": {},
            "2025-07-01 12:00": {"h2": 30.0},
            "2025-11-01 12:00": {"h2": 52.0},
            "2026-02-20 12:00": {"h2": 72.0},
        },
        (
            (
                "The multi-point rate of H₂ is 63.7 µL/L a year over 4 samples in 356 days "
                "(the norm is 20 µL/L a year).",
                "IEEE C57.104-2019, 6.1.3 Table 4",
            ),
            ("This sample confirms the change that the sample of 2025-11-01 showed.", CLAUSE),
        ),
        ("rate", "h2", 63.7234, 20.0, "µL/L/year"),
    ),
    "a change that is not confirmed": Story(
        {"2025-08-13 12:00": {}, "2026-02-10 12:00": {"h2": 65.0}, "2026-02-20 12:00": {"h2": 11.0}},
        (
            (f"All gases that can be judged are at or below their norms {COLUMN}.", CLAUSE),
            (
                "This sample does not confirm the sample of 2026-02-10, which takes no part in later changes "
                "and rates.",
                CLAUSE,
            ),
        ),
    ),
    "the sample that was dropped": Story(
        {"2025-08-13 12:00": {}, "2026-02-10 12:00": {"h2": 65.0}, "2026-02-20 12:00": {"h2": 11.0}},
        (
            (RISE, "IEEE C57.104-2019, 6.1.3 Table 3"),
            ("A later sample did not confirm this one; it takes no part in later changes and rates.", CLAUSE),
        ),
        ("delta", "h2", 55.0, 40.0, "µL/L"),
        of=-2,
    ),
    "an on-line rise": Story(
        monitor(100, lambda back: 90.0 if back < 3 else 30.0),
        (
            (
                "H₂ rose by 60 µL/L against the mean of the month that ended a month before (the norm is 40 µL/L).",
                "IEEE C57.104-2019, 6.1.3 Table 3",
            ),
            (
                f"H₂ 90 µL/L is above the 90th percentile of 75 µL/L {COLUMN}.",
                "IEEE C57.104-2019, 6.1.3 Table 1",
            ),
        ),
        ("delta", "h2", 60.0, 40.0, "µL/L"),
        online=True,
    ),
    "an on-line rise of today": Story(
        monitor(100, lambda back: 72.0 if back < 1 else 30.0),
        (
            (
                "H₂ rose by 42 µL/L against the mean of the month that ended a month before (the norm is 40 µL/L).",
                "IEEE C57.104-2019, 6.1.3 Table 3",
            ),
            (
                "The change is new: it counts when readings a day later still show it.",
                "common practice, no source",
            ),
        ),
        online=True,
    ),
    "an on-line rate": Story(
        monitor(200, lambda back: 60.0 - 0.2 * back),
        (
            (
                "The multi-point rate of H₂ is 73 µL/L a year over 199 daily medians in 198 days "
                "(the norm is 50 µL/L a year).",
                "IEEE C57.104-2019, 6.1.3 Table 4",
            ),
        ),
        ("rate", "h2", 73.0, 50.0, "µL/L/year"),
        online=True,
    ),
}


def readings(gases: Gases, number: int) -> dict[str, Reading]:
    """A quiet sample with some gases otherwise, its nitrogen a little off the one before."""
    whole: dict[str, float | str] = {**QUIET, "n2": 50_000.0 + number, **gases}
    return {
        n: Reading(n, below=float(v[1:])) if isinstance(v, str) else Reading(n, value=v)
        for n, v in whole.items()
    }


def record(database: Database, story: Story) -> int:
    """The samples of a story, recorded as they come in; returns the id of the one it is about."""
    source = "W-T1-M" if story.online else "LAB"
    made = [
        Sample("W-T1", "main", source, _time(at), readings(gases, i))
        for i, (at, gases) in enumerate(story.samples.items())
    ]
    if story.online:
        with database.read() as connection:
            found = find_source(connection, source)
        assert found is not None
        Recorder(database, URL).record(found, columns_of(made), NOW)
    else:
        record_samples(database, source, made, NOW, BatchTerms(URL))
    page = read_page(database, "W-T1", PageQuery(None, None, None, 1000))
    assert page is not None
    return page.samples[story.of].sample.id


def _time(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=UTC)


def mail_about(database: Database, sample_id: int) -> RenderedMail:
    """The mail that a sample makes which raises a gassing alert."""
    placed = read_sample(database, sample_id)
    assert placed is not None
    assert placed.sample.assessment is not None
    with database.read() as connection:
        own = placed.sample.compartment_id
        context = fleet.compartment_context(connection, [own])[own]
    change = SampleChange(1, 1, GASSING, Change(Reason.RAISED, 2, 1))
    news = AlertNews(sample_id, own, placed.sample.taken_at, "Somebody", (change,), placed.sample.assessment)
    return render(compose(news, context, NOW, URL))


def plain(text: str) -> str:
    """What a reader sees: no tags, no line breaks, small digits as digits."""
    seen = html.unescape(re.sub(r"<[^>]+>", "", text))
    return re.sub(r"\s+", " ", seen).translate(str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789"))


@pytest.fixture
def database(sqlite_database: Database) -> Database:
    load_fleet(sqlite_database, FLEET.read_text(encoding="utf-8"), "fleet.yaml", NOW)
    return sqlite_database


@pytest.mark.parametrize("name", STORIES)
def test_page_mail_command_and_interface_say_the_same(database: Database, name: str) -> None:
    story = STORIES[name]
    sample_id = record(database, story)
    key = register.issue_registrar_key(database, NOW)
    settings = load_settings({"ULLAGE_ALLOWED_HOSTS": "testserver"})
    with TestClient(create_app(settings, database, lambda: NOW)) as client:
        told: dict[str, Any] = client.get(
            f"/api/v1/samples/{sample_id}", headers={"Authorization": f"Bearer {key}"}
        ).json()["assessment"]
        shown = {"page of the sample": client.get(f"/samples/{sample_id}").text}
        if story.of == -1:
            shown["page of the unit"] = client.get("/assets/W-T1?compartment=main").text
    mail = mail_about(database, sample_id)
    shown |= {"mail": mail.text, "mail in HTML": mail.html}
    shown["ullage explain"] = "\n".join(explain_sample(database, sample_id))
    texts = [*(f["text"] for f in told["findings"]), *told["status_reasons"]]
    for sentence, source in story.says:
        assert sentence in texts
        for where, text in shown.items():
            assert plain(sentence) in plain(text), f"the {where} does not say: {sentence}"
            assert plain(source) in plain(text), f"the {where} does not name {source}"
    if story.number is not None:
        rule, quantity, value, limit, unit = story.number
        (found,) = (f for f in told["findings"] if (f["rule"], f["quantity"]) == (rule, quantity))
        assert (found["value"], found["limit"], found["unit"]) == (pytest.approx(value), limit, unit)
    assert "the sample before" not in plain(mail.text).lower()


@pytest.mark.parametrize("name", [n for n in STORIES if n != "a day is the site's own"])
def test_ullage_interpret_says_the_same_of_the_same_numbers(name: str) -> None:
    """It knows no site: its days are those of UTC."""
    story, text = STORIES[name], io.StringIO()
    columns = ["asset", "taken_at", "age_years", "source_kind", *QUIET]
    writer = csv.DictWriter(text, columns)
    writer.writeheader()
    for i, (at, gases) in enumerate(story.samples.items()):
        kind = "instrument" if story.online else "laboratory"
        numbers = {n: f"<{r.below}" if r.value is None else r.value for n, r in readings(gases, i).items()}
        writer.writerow({"asset": "W-T1", "taken_at": at, "age_years": 22, "source_kind": kind, **numbers})
    text.seek(0)
    said = list(interpret_csv(text, detailed=False))[story.of]
    texts = [*(f["text"] for f in said["findings"]), *said["status_reasons"]]
    verdict = [s["text"] for s in said["verdict"]]
    for sentence, _ in story.says:
        assert sentence in texts
        assert sentence in verdict


def test_when_the_reference_was_taken_is_told_to_programs_too(database: Database) -> None:
    sample_id = record(database, STORIES["a day is the site's own"])
    placed = read_sample(database, sample_id)
    assert placed is not None
    assert placed.sample.assessment is not None
    (delta,) = (f for f in placed.sample.assessment.findings if f.rule == "delta")
    assert delta.reference_at == "2026-02-20T23:30:00+00:00"
    again = Assessment.from_json(placed.sample.assessment.to_json())
    assert again == placed.sample.assessment
