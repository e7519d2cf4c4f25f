"""Every table. Conventions: surrogate integer keys, named constraints, text codes instead of enums,
UTC times, one wide row per sample with a bit mask that says which numbers are detection limits."""

import sqlalchemy as sa
from sqlalchemy import Column, ForeignKey, Index, Table, UniqueConstraint
from sqlalchemy.dialects.postgresql import JSONB

from app.science.quantities import NAMES
from app.store.database import UtcDateTime

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

Json = sa.JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")
Id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _id() -> Column[int]:
    return Column("id", Id, primary_key=True)


def _readings() -> list[Column[float]]:
    return [Column(name, sa.Double) for name in NAMES]


sites = Table(
    "sites",
    metadata,
    _id(),
    Column("code", sa.Text, nullable=False, unique=True),
    Column("name", sa.Text, nullable=False),
    Column("time_zone", sa.Text, nullable=False),
)

assets = Table(
    "assets",
    metadata,
    _id(),
    Column("site_id", Id, ForeignKey("sites.id"), nullable=False, index=True),
    Column("code", sa.Text, nullable=False, unique=True),
    Column("name", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("serial", sa.Text),
    Column("manufacturer", sa.Text),
    Column("year_energized", sa.Integer),
    Column("rated_kv", sa.Double),
    Column("rated_mva", sa.Double),
    Column("liquid", sa.Text, nullable=False),
    Column("oil_volume_l", sa.Double),
    Column("preservation", sa.Text, nullable=False),
    Column("tap_changer", sa.Text, nullable=False),
    Column("norm_set", sa.Text, nullable=False),
    Column("paper", sa.Text, nullable=False),  # plain, upgraded, unknown
)

compartments = Table(
    "compartments",
    metadata,
    _id(),
    Column("asset_id", Id, ForeignKey("assets.id"), nullable=False),
    Column("name", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("oil_volume_l", sa.Double),
    UniqueConstraint("asset_id", "name"),
)

sources = Table(
    "sources",
    metadata,
    _id(),
    Column("code", sa.Text, nullable=False, unique=True),
    Column("name", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("asset_id", Id, ForeignKey("assets.id"), index=True),
    Column("expected_interval_minutes", sa.Integer),
    Column("posts_per_minute", sa.Integer),  # of an instrument; NULL: as the setting says
    Column("profile", sa.Text),
)

instrument_states = Table(
    "instrument_states",
    metadata,
    Column("source_id", Id, ForeignKey("sources.id"), primary_key=True),
    Column("heard_at", UtcDateTime, nullable=False),  # when a post with at least one sample taken came last
    Column("newest_taken_at", UtcDateTime, nullable=False),
    Column("checked_at", UtcDateTime),  # when the quality of its data was looked at last
    Column("watched_at", UtcDateTime),  # when its days were looked at last for a change of the unit
    Column("token", Id, nullable=False),  # another one whenever its stored readings change
)

maintenance_spells = Table(
    "maintenance_spells",
    metadata,
    _id(),
    Column("source_id", Id, ForeignKey("sources.id"), nullable=False, index=True),
    Column("begins_at", UtcDateTime, nullable=False),
    Column("ends_at", UtcDateTime),  # NULL: until somebody ends it
    Column("author", sa.Text, nullable=False),
    Column("note", sa.Text, nullable=False),
)

instrument_findings = Table(
    "instrument_findings",
    metadata,
    _id(),
    Column("source_id", Id, ForeignKey("sources.id"), nullable=False, index=True),
    Column("compartment_id", Id, ForeignKey("compartments.id"), nullable=False),
    Column("kind", sa.Text, nullable=False),  # stuck, spike, step, drift, saturated, ...
    Column("quantity", sa.Text, nullable=False),
    Column("begins_at", UtcDateTime, nullable=False),
    Column("ends_at", UtcDateTime),  # NULL: it lasts
    Column("found_at", UtcDateTime, nullable=False),
    Column("detail", Json, nullable=False),  # figures and sentence
    UniqueConstraint(
        "source_id", "compartment_id", "kind", "quantity", "begins_at", name="uq_instrument_findings_identity"
    ),
)

online_courses = Table(  # what the newest look at an instrument's days found of the unit
    "online_courses",
    metadata,
    Column("compartment_id", Id, ForeignKey("compartments.id"), primary_key=True),
    Column("source_id", Id, ForeignKey("sources.id"), primary_key=True),
    Column("looked_at", UtcDateTime, nullable=False),
    Column("day", sa.Date, nullable=False),  # the last UTC day that was looked at
    Column("state", sa.Text, nullable=False),
    Column("since", sa.Date),  # NULL: quiet
    Column("gravity", sa.Integer, nullable=False),
    Column("severity", sa.Integer, nullable=False),  # of a change against its own record; 0: none
    Column("detail", Json, nullable=False),  # course, watch and gassing events
)

source_compartments = Table(
    "source_compartments",
    metadata,
    Column("source_id", Id, ForeignKey("sources.id"), primary_key=True),
    Column("compartment_id", Id, ForeignKey("compartments.id"), primary_key=True),
)

api_keys = Table(
    "api_keys",
    metadata,
    _id(),
    Column("source_id", Id, ForeignKey("sources.id"), index=True),
    Column("scope", sa.Text, nullable=False),  # "instrument" posts samples; "registrar" registers the fleet
    Column(
        "label", sa.Text, nullable=False
    ),  # what people call it, e.g. "gateway, spring 2026"; may be empty
    Column("prefix", sa.Text, nullable=False, unique=True),
    Column("digest", sa.Text, nullable=False),  # SHA-256 of a 256-bit random key
    Column("created_at", UtcDateTime, nullable=False),
    Column("last_used_at", UtcDateTime),
    Column("expires_at", UtcDateTime),
    Column("revoked_at", UtcDateTime),
)

contacts = Table(
    "contacts",
    metadata,
    _id(),
    Column("code", sa.Text, nullable=False, unique=True),
    Column("name", sa.Text, nullable=False),
    Column("email", sa.Text, nullable=False),
)

site_contacts = Table(
    "site_contacts",
    metadata,
    Column("site_id", Id, ForeignKey("sites.id"), primary_key=True),
    Column("contact_id", Id, ForeignKey("contacts.id"), primary_key=True),
)

owner_limits = Table(
    "owner_limits",
    metadata,
    _id(),
    Column("scope", sa.Text, nullable=False),  # fleet, kind, asset
    Column("of", sa.Text, nullable=False),  # asset kind or asset code; empty for the fleet
    Column("quantity", sa.Text, nullable=False),
    Column("compartment", sa.Text, nullable=False),  # the kind of compartment it is for
    Column("typical", sa.Double),
    Column("high", sa.Double),
    Column("note", sa.Text, nullable=False),
    UniqueConstraint("scope", "of", "quantity", "compartment"),
)

ladder_steps = Table(
    "ladder_steps",
    metadata,
    _id(),
    Column("urgency", sa.Text, nullable=False),
    Column("order", sa.Integer, nullable=False),
    Column("text", sa.Text, nullable=False),
    Column("days", sa.Integer, nullable=False),
    UniqueConstraint("urgency", "order"),
)

service_events = Table(
    "service_events",
    metadata,
    _id(),
    Column("compartment_id", Id, ForeignKey("compartments.id"), nullable=False),
    Column("at", UtcDateTime, nullable=False),
    Column("kind", sa.Text, nullable=False),
    Column("note", sa.Text, nullable=False),
    UniqueConstraint("compartment_id", "at", "kind"),
)

files = Table(
    "files",
    metadata,
    _id(),
    Column("source_id", Id, ForeignKey("sources.id"), nullable=False),
    Column("name", sa.Text, nullable=False),
    Column("sha256", sa.Text, nullable=False),
    Column("content", sa.LargeBinary, nullable=False),
    Column("uploaded_at", UtcDateTime, nullable=False),
    Column("uploaded_by", sa.Text, nullable=False),
    UniqueConstraint("source_id", "sha256"),
)

file_imports = Table(
    "file_imports",
    metadata,
    _id(),
    Column("file_id", Id, ForeignKey("files.id"), nullable=False, index=True),
    Column("at", UtcDateTime, nullable=False),  # the received_at of the samples it brought
    Column("author", sa.Text, nullable=False),
    Column("profile", Json, nullable=False),  # the whole profile it was read by
    Column("units", Json, nullable=False),  # {text in the file: asset code} as a person decided
)

samples = Table(
    # Without foreign keys: each costs a look-up a row, and compartments, sources and files are never deleted;
    # `ullage db check` looks for strays. On PostgreSQL it is partitioned, see app/store/partitions.py.
    "samples",
    metadata,
    _id(),
    Column("compartment_id", Id, nullable=False),
    Column("source_id", Id, nullable=False),
    Column("taken_at", UtcDateTime, nullable=False),
    Column("revision", sa.Integer, nullable=False),
    Column("current", sa.Boolean, nullable=False),  # False once a newer revision exists
    Column("received_at", UtcDateTime, nullable=False),
    Column("online", sa.Boolean, nullable=False),  # measured by an instrument
    Column("file_id", Id),
    Column("file_line", sa.Integer),
    Column("laboratory_number", sa.Text),
    Column("remark", sa.Text),
    Column("excluded_at", UtcDateTime),
    Column("excluded_by", sa.Text),
    Column("excluded_because", sa.Text),
    Column("set_aside", sa.Text),  # why it is kept but not judged: a SetAside code; NULL: it counts
    Column("status", sa.Integer),  # how it stands by the newest judgement, with the three beside it
    Column("suspect", sa.Boolean, nullable=False),
    Column("fault", sa.Text),
    Column("rule_set", sa.Text),  # NULL: not judged
    Column("below", sa.Integer, nullable=False),  # bit i set: the number of quantity i is a detection limit
    Column("unjudged", sa.Integer, nullable=False),  # bit i set: quantity i is kept, but not judged
    Column("qualities", Json),  # {quantity: quality} of those, as the instrument gave it
    *_readings(),
    UniqueConstraint(
        "compartment_id", "source_id", "taken_at", "revision", "online"
    ),  # parted by online and time
    Index("ix_samples_compartment_id_taken_at", "compartment_id", "taken_at"),
    Index(  # the few of laboratories among the many of instruments
        "ix_samples_laboratory",
        "compartment_id",
        "taken_at",
        sqlite_where=sa.text("online = 0"),
        postgresql_where=sa.text("NOT online"),
    ),
    Index(  # what an instrument posts has no file
        "ix_samples_file_id",
        "file_id",
        sqlite_where=sa.text("file_id IS NOT NULL"),
        postgresql_where=sa.text("file_id IS NOT NULL"),
    ),
)

raw_ends = Table(  # one row once raw on-line readings were ended for their age
    "raw_ends",
    metadata,
    Column("one", sa.Boolean, primary_key=True),  # always true
    Column("before", UtcDateTime, nullable=False),  # on-line readings taken before are gone or not looked at
    Column("at", UtcDateTime, nullable=False),
)

corrections = Table(
    "corrections",
    metadata,
    _id(),
    Column("sample_id", Id, nullable=False, index=True),
    Column("at", UtcDateTime, nullable=False),
    Column("author", sa.Text, nullable=False),
    Column("kind", sa.Text, nullable=False),  # edited, excluded, restored, moved, undone, in_force_again
    Column("reason", sa.Text, nullable=False),
    Column("detail", Json, nullable=False),  # what was and what is, by field
)

laboratory_profiles = Table(
    "laboratory_profiles",
    metadata,
    _id(),
    Column("code", sa.Text, nullable=False, index=True),  # of the laboratory; the newest row counts
    Column("text", sa.Text, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("author", sa.Text, nullable=False),
)

daily_summaries = Table(
    "daily_summaries",
    metadata,
    Column("compartment_id", Id, ForeignKey("compartments.id"), primary_key=True),
    Column("source_id", Id, ForeignKey("sources.id"), primary_key=True),
    Column("day", sa.Date, primary_key=True),  # UTC day
    Column("count", sa.Integer, nullable=False),
    Column("below", sa.Integer, nullable=False),  # bit i set: that day's median is a limit
    Column("ranges", Json, nullable=False),  # {quantity: [min, max, count]}
    *_readings(),  # the medians
)

assessments = Table(
    "assessments",
    metadata,
    _id(),
    Column("sample_id", Id, nullable=False),
    Column("rule_set", sa.Text, nullable=False),
    Column("assessed_at", UtcDateTime, nullable=False),
    Column("superseded_at", UtcDateTime),  # NULL: the one that counts
    Column("status", sa.Integer),
    Column("suspect", sa.Boolean, nullable=False),
    Column("fault", sa.Text),
    Column("course", sa.Text),  # state of the unit's course with this sample; NULL where none is told
    Column("gravity", sa.Integer),
    Column(
        "detail", Json
    ),  # Assessment.to_json(); NULL: an on-line reading stood so, and nobody was told more
    Index("ix_assessments_sample_id", "sample_id"),
    Index(  # one assessment of a sample counts
        "uq_assessments_counting",
        "sample_id",
        unique=True,
        sqlite_where=sa.text("superseded_at IS NULL"),
        postgresql_where=sa.text("superseded_at IS NULL"),
    ),
)

alerts = Table(
    "alerts",
    metadata,
    _id(),
    # what it is about: a compartment, an instrument or a whole site; one of the three
    Column("compartment_id", Id, ForeignKey("compartments.id"), index=True),
    Column("source_id", Id, ForeignKey("sources.id"), index=True),
    Column("site_id", Id, ForeignKey("sites.id"), index=True),
    Column("condition", sa.Text, nullable=False),
    Column("state", sa.Text, nullable=False, index=True),
    Column("severity", sa.Integer, nullable=False),
    Column("opened_at", UtcDateTime, nullable=False),  # the time of the sample that raised it
    Column("changed_at", UtcDateTime, nullable=False),
    Column("sample_id", Id),  # the newest sample that changed it
    Column("headline", sa.Text, nullable=False),
    Column("acknowledged_by", sa.Text),
    Column("shelved_until", UtcDateTime),
    Column("memory", Json, nullable=False),  # the rule's own counters, e.g. samples in a row
    UniqueConstraint("compartment_id", "condition"),  # NULLs differ: each counts where its subject is given
    UniqueConstraint("source_id", "condition"),
    UniqueConstraint("site_id", "condition"),
)

alert_events = Table(
    "alert_events",
    metadata,
    _id(),
    Column("alert_id", Id, ForeignKey("alerts.id"), nullable=False, index=True),
    Column("at", UtcDateTime, nullable=False),
    Column("from_state", sa.Text, nullable=False),
    Column("to_state", sa.Text, nullable=False),
    Column("reason", sa.Text, nullable=False),
    Column("severity", sa.Integer, nullable=False),
    Column("sample_id", Id),
    Column("author", sa.Text),
    Column("note", sa.Text, nullable=False),
)

messages = Table(
    "messages",
    metadata,
    _id(),
    Column("contact_id", Id, ForeignKey("contacts.id")),
    Column("alert_event_id", Id, ForeignKey("alert_events.id"), index=True),
    Column("sample_id", Id),
    Column("to_address", sa.Text, nullable=False),
    Column("subject", sa.Text, nullable=False),
    Column("text", sa.Text, nullable=False),
    Column("html", sa.Text, nullable=False),
    Column("message_id", sa.Text, nullable=False, unique=True),  # RFC 5322, fixed at enqueueing
    Column("thread_id", sa.Text, nullable=False),  # RFC 5322 id of the alert's first mail, for References
    Column("state", sa.Text, nullable=False),  # queued, sent, failed
    Column("attempts", sa.Integer, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("next_attempt_at", UtcDateTime, nullable=False),
    Column("leased_until", UtcDateTime),
    Column("sent_at", UtcDateTime),
    Column("last_error", sa.Text),
    UniqueConstraint("alert_event_id", "to_address"),
    Index("ix_messages_state_next_attempt_at", "state", "next_attempt_at"),
)

heartbeats = Table(
    "heartbeats",
    metadata,
    Column("worker", sa.Text, primary_key=True),
    Column("at", UtcDateTime, nullable=False),
)
