"""What an alert mail says, made by recording samples: facts, columns, threads, and what a confirmation found."""

import re
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa
from fleet_cast import NOW, QUIET, URL

from app.domain.model import Reading, Sample
from app.services.recording.record_samples import BatchTerms, record_samples
from app.store.database import Database
from app.store.schema import contacts, messages, site_contacts, sites

HOT = {"c2h4": 400.0, "ch4": 250.0, "h2": 120.0, "c2h6": 90.0}
STILL_HOT = {"c2h4": 420.0, "ch4": 260.0, "h2": 125.0, "c2h6": 92.0}


def record(database: Database, days_ago: float, /, url: str = URL, **gases: float) -> None:
    readings = {n: Reading(n, value=v) for n, v in (QUIET | gases).items()}
    sample = Sample("W-T1", "main", "LAB", NOW - timedelta(days=days_ago), readings)
    (outcome,) = record_samples(database, "LAB", [sample], NOW, BatchTerms(url))
    assert outcome.result == "stored"


def mails(database: Database) -> list[Any]:
    """The mails to the planner, oldest first."""
    query = sa.select(messages).where(messages.c.to_address.like("planner%")).order_by(messages.c.id)
    with database.read() as connection:
        return list(connection.execute(query))


@pytest.fixture
def story(fleet_database: Database) -> list[Any]:
    """The mails about two quiet samples, a hot one, and one that confirms it."""
    record(fleet_database, 400, h2=9.0, ch4=4.0, c2h4=2.5, co=180.0, co2=1900.0, o2=850.0, n2=49_000.0)
    record(fleet_database, 200)
    record(fleet_database, 20, URL, **HOT)
    record(fleet_database, 10, URL, **STILL_HOT)
    return mails(fleet_database)


def test_it_says_what_where_since_when_why_what_next_and_with_what_care(story: list[Any]) -> None:
    text = " ".join(story[0].text.split())
    for words in (
        "Status 3 extreme, thermal fault above 700 °C",
        "W-T1 Step-up transformer 1, main",
        "West Weir (W)",
        "taken 2026-02-09 13:00 CET by Test Laboratory",
        "Since 2026-02-09 13:00 CET",
        "110 kV, 40 MVA, energized 2004",
        "(IEEE C57.104-2019, 6.1.3 Table 2)",
        "By 2026-02-",
        "under positive pressure",
        "clears nobody to work",
        "http://ullage.example/assets/W-T1",
    ):
        assert words in text
        assert (
            words in " ".join(re.sub(r"<[^>]+>", " ", story[0].html).split())
            or "Since" in words
            or "(IEEE" in words
        )


def test_each_finding_is_a_sentence_and_a_source_stands_once_under_its_own(story: list[Any]) -> None:
    # limits of IEEE C57.104-2019, Table 2, O2/N2 at most 0.2, 10-30 years: CH4 150, C2H4 95 (95th percentile)
    why = story[0].text.split("WHY\n")[1].split("\n\nWHAT TO DO")[0]
    lines = [" ".join(part.split()) for part in re.split(r"^(?:- |  (?=\())", why, flags=re.MULTILINE)[1:]]
    level = "is above the 95th percentile of {} µL/L (O₂/N₂ 0.02, age 10-30 years)."
    first = lines.index(f"CH₄ 250 µL/L {level.format(150)}")
    assert lines[first + 1] == f"C₂H₄ 400 µL/L {level.format(95)}"
    assert lines[first + 2] == "(IEEE C57.104-2019, 6.1.3 Table 2)"
    assert len(lines) == len(set(lines))
    assert lines.count("(IEEE C57.104-2019, 6.1.3 Table 2)") == 1


def test_no_line_of_the_text_is_wider_than_72_columns(story: list[Any]) -> None:
    assert max(len(line) for mail in story for line in mail.text.splitlines()) <= 72


def test_steps_stand_in_the_order_of_their_days(story: list[Any]) -> None:
    days = re.findall(r"^\d\. By (\S+):", story[0].text, re.MULTILINE)
    assert len(days) >= 2
    assert days == sorted(days)


def test_a_confirmed_change_is_not_called_back_to_normal(story: list[Any]) -> None:
    assert len(story) == 2
    assert story[1].subject.startswith("[Ullage] W-T1 main: status 3 extreme, ")
    # the suspect sample was extreme by itself: what is new is that it is confirmed
    assert story[1].subject.endswith("thermal fault above 700 °C (gassing confirmed)")
    assert "confirms the change" in story[1].text.replace("\n", " ")
    assert "normal" not in story[1].text.split("WHAT TO DO NEXT")[0].replace("normal gas", "")


def test_a_refuted_change_says_so(fleet_database: Database) -> None:
    record(fleet_database, 200)
    record(fleet_database, 3, h2=60.0, ch4=30.0)
    record(fleet_database, 1, h2=11.0)
    first, second = mails(fleet_database)
    assert first.subject == "[Ullage] W-T1 main: take a confirmation sample (raised)"
    assert second.subject == "[Ullage] W-T1 main: change not confirmed, status 1, normal"
    assert second.thread_id == first.message_id == first.thread_id
    assert second.message_id != first.message_id


def revise(database: Database, days_ago: float, /, **gases: float) -> None:
    """Record a sample of the same time again, with other numbers."""
    readings = {n: Reading(n, value=v) for n, v in (QUIET | gases).items()}
    sample = Sample("W-T1", "main", "LAB", NOW - timedelta(days=days_ago), readings)
    (outcome,) = record_samples(database, "LAB", [sample], NOW, BatchTerms(URL))
    assert outcome.result == "revised"


def test_a_sample_that_is_revised_high_low_and_high_again_is_recorded_each_time(
    fleet_database: Database,
) -> None:
    record(fleet_database, 200)
    record(fleet_database, 3, h2=60.0, ch4=30.0)
    revise(fleet_database, 3, h2=11.0)
    revise(fleet_database, 3, h2=61.0, ch4=30.0)
    with fleet_database.read() as connection:
        all_ids = list(connection.execute(sa.select(messages.c.message_id)).scalars())
    assert len(set(all_ids)) == len(all_ids)
    sent = mails(fleet_database)
    assert len(sent) == 3
    first, returned, second = sent
    assert first.thread_id == first.message_id
    assert returned.thread_id == first.message_id
    assert second.thread_id == second.message_id, "a new episode begins its own thread"


def test_two_contacts_with_codes_alike_have_ids_of_their_own(fleet_database: Database) -> None:
    with fleet_database.write() as connection:
        site = connection.execute(sa.select(sites.c.id).where(sites.c.code == "W")).scalar_one()
        for code in ("ops_1", "ops-1", "OPS.1"):
            person = {"code": code, "name": code, "email": f"{code}@weirs.example"}
            added = connection.execute(sa.insert(contacts).values(person).returning(contacts.c.id))
            link = {"site_id": site, "contact_id": added.scalar_one()}
            connection.execute(sa.insert(site_contacts).values(link))
    record(fleet_database, 200)
    record(fleet_database, 20, URL, **HOT)
    with fleet_database.read() as connection:
        query = sa.select(messages.c.message_id, messages.c.thread_id).where(
            messages.c.to_address.in_(["ops_1@weirs.example", "ops-1@weirs.example", "OPS.1@weirs.example"])
        )
        found = connection.execute(query).all()
    assert len({row.message_id for row in found}) == 3
    assert all(row.message_id == row.thread_id for row in found)


def test_what_a_mail_told_beside_another_alert_goes_on_in_its_thread(story: list[Any]) -> None:
    """The first mail names "gassing" first and "confirmation" beside it; the second is about the latter alone."""
    assert "take a confirmation sample" in " ".join(story[0].text.split())
    assert story[1].thread_id == story[0].message_id


@pytest.mark.parametrize(
    ("url", "host"),
    [
        ("https://ullage.example:8443/oil", "ullage.example"),
        ("http://127.0.0.1:8750", "127.0.0.1"),
        ("http://[::1]:8750", "1"),
    ],
)
def test_message_ids_carry_the_public_host(fleet_database: Database, url: str, host: str) -> None:
    record(fleet_database, 200)
    record(fleet_database, 1, url, **HOT)
    (mail,) = mails(fleet_database)
    local, _, domain = mail.message_id.strip("<>").partition("@")
    assert domain.strip("-") == host
    assert re.fullmatch(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*", local)
