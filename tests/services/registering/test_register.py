"""Registering one thing at a time, keys, and who holds them; on both databases."""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
import sqlalchemy as sa
from fleet_cast import NOW

from app.domain.model import Asset, Compartment, Contact, Site, Source, SourceKind
from app.services.registering import register
from app.services.registering.authenticate import authenticate
from app.store.database import Database
from app.store.registering import fleet, source_lookup
from app.store.schema import api_keys

SITE = Site("N", "North Weir", "CET")
ASSET = Asset("N-T1", "Transformer 1", "N")
PARTS = (Compartment("N-T1", "main"), Compartment("N-T1", "tap changer"))
MONITOR = Source("N-T1-M", "Monitor", SourceKind.INSTRUMENT, "N-T1", ("main", "tap changer"), 60)


@pytest.fixture
def registered(database: Database) -> Database:
    """A database with one site, asset and instrument."""
    assert register.register_site(database, SITE) == "created"
    assert register.register_asset(database, ASSET, PARTS) == "created"
    assert register.register_source(database, MONITOR) == "created"
    return database


def test_registering_again_says_unchanged_or_changed(registered: Database) -> None:
    assert register.register_site(registered, SITE) == "unchanged"
    assert register.register_site(registered, replace(SITE, time_zone="UTC")) == "changed"
    assert register.register_asset(registered, ASSET, PARTS) == "unchanged"
    assert register.register_asset(registered, ASSET, (Compartment("N-T1", "attic"),)) == "changed"
    assert register.register_source(registered, MONITOR) == "unchanged"
    assert register.register_source(registered, replace(MONITOR, compartments=("main",))) == "changed"
    with registered.read() as connection:
        stored = source_lookup.find_source(connection, "N-T1-M")
    assert stored is not None
    assert (stored.source.compartments, list(stored.compartments)) == (("main",), ["main"])


def test_contacts_follow_their_sites(registered: Database) -> None:
    contact = Contact("planner", "P. Lanner", "p@north.example", ("N",))
    assert register.register_contact(registered, contact) == "created"
    assert register.register_contact(registered, contact) == "unchanged"
    assert register.register_contact(registered, replace(contact, sites=())) == "changed"
    with registered.read() as connection:
        assert fleet.all_contacts(connection) == [replace(contact, sites=())]


@pytest.mark.parametrize(
    ("attempt", "missing"),
    [
        (lambda d: register.register_asset(d, replace(ASSET, code="A", site_code="X"), ()), ("site", "X")),
        (lambda d: register.register_source(d, replace(MONITOR, code="A", asset_code="X")), ("asset", "X")),
        (
            lambda d: register.register_source(d, replace(MONITOR, code="A", compartments=("attic",))),
            ("compartment", "N-T1/attic"),
        ),
        (lambda d: register.register_contact(d, Contact("A", "A", "a@b.example", ("X",))), ("site", "X")),
        (lambda d: register.issue_instrument_key(d, "X", NOW), ("instrument", "X")),
    ],
)
def test_what_is_not_there_is_named_and_nothing_is_half_stored(
    registered: Database, attempt: Callable[[Database], object], missing: tuple[str, str]
) -> None:
    with pytest.raises(register.UnknownReferenceError) as caught:
        attempt(registered)
    assert (caught.value.kind, caught.value.code) == missing
    with registered.read() as connection:
        assert [a.code for a in fleet.all_assets(connection)] == ["N-T1"]
        assert [s.code for s in source_lookup.all_sources(connection)] == ["N-T1-M"]
        assert fleet.all_contacts(connection) == []


def test_a_laboratory_gets_no_instrument_key(registered: Database) -> None:
    register.register_source(
        registered, Source("LAB", "Laboratory", SourceKind.LABORATORY, profile="quillfen")
    )
    with pytest.raises(register.UnknownReferenceError):
        register.issue_instrument_key(registered, "LAB", NOW)


def test_registering_the_same_at_once_is_no_clash(database: Database) -> None:
    results: list[str] = []
    errors: list[Exception] = []

    def attempt(site: Site, together: threading.Barrier) -> None:
        together.wait()
        try:
            results.append(register.register_site(database, site))
        except Exception as error:  # noqa: BLE001 - a thread's error is lost otherwise
            errors.append(error)

    for i in range(10):
        together = threading.Barrier(4)
        threads = [
            threading.Thread(target=attempt, args=(Site(f"S{i}", "Site", "UTC"), together)) for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert errors == []
    assert (results.count("created"), results.count("unchanged")) == (10, 30)


def test_a_key_lets_in_its_holder_and_only_its_digest_is_stored(registered: Database) -> None:
    key = register.issue_instrument_key(registered, "N-T1-M", NOW)
    start, prefix, secret = key.split("_", 2)
    assert (start, len(prefix), len(secret)) == ("ull", 8, 43)
    holder = authenticate(registered, key, NOW)
    assert holder is not None
    assert (holder.scope, holder.source_code) == ("instrument", "N-T1-M")
    registrar = authenticate(registered, register.issue_registrar_key(registered, NOW), NOW)
    assert registrar is not None
    assert (registrar.scope, registrar.source_code) == ("registrar", None)
    with registered.read() as connection:
        stored = connection.execute(sa.select(api_keys)).all()
    assert len(stored) == 2
    assert secret not in str(stored)


def test_other_keys_let_nobody_in(registered: Database) -> None:
    key = register.issue_instrument_key(registered, "N-T1-M", NOW)
    other = register.issue_registrar_key(registered, NOW)
    mixed = f"{key[:13]}{other[13:]}"
    for wrong in ("", "ull", "ull__", key[:-1], f"{key}A", key.upper(), mixed, f"{key[:13]}{'A' * 43}",
                  f"{key}\0", "ull_\0_x", "ull_\ud800_x", "ull_é_x", f" {key}", "x" * 100_000):  # fmt: skip
        assert authenticate(registered, wrong, NOW) is None


@pytest.mark.parametrize(("column", "moment"), [("expires_at", NOW), ("revoked_at", NOW - timedelta(days=1))])
def test_an_expired_or_revoked_key_lets_nobody_in(
    registered: Database, column: str, moment: datetime
) -> None:
    key = register.issue_instrument_key(registered, "N-T1-M", NOW - timedelta(days=9))
    assert authenticate(registered, key, NOW - timedelta(seconds=1)) is not None
    with registered.write() as connection:
        connection.execute(sa.update(api_keys).values({column: moment}))
    assert authenticate(registered, key, NOW) is None


def test_the_last_use_is_written_once_in_ten_minutes(registered: Database) -> None:
    key = register.issue_instrument_key(registered, "N-T1-M", NOW)
    seen = []
    for seconds in (0, 599, 600, 601, 1199, 1200):
        assert authenticate(registered, key, NOW + timedelta(seconds=seconds)) is not None
        with registered.read() as connection:
            last = connection.execute(sa.select(api_keys.c.last_used_at)).scalar_one()
        seen.append((last - NOW).total_seconds())
    assert seen == [0, 0, 600, 600, 600, 1200]
