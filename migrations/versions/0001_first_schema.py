"""First schema

Revision: 0001
Follows:
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

import app.store.database

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def _on_postgresql() -> bool:
    return bool(op.get_bind().dialect.name == "postgresql")


def _key_of_samples() -> tuple[str, ...]:
    """A key of a partitioned table holds all that it is partitioned by."""
    return ("id", "online", "taken_at") if _on_postgresql() else ("id",)


def _next_sample_id() -> sa.TextClause | None:
    """The sequence that a key of one column would have had by itself."""
    if not _on_postgresql():
        return None
    op.execute("CREATE SEQUENCE samples_id_seq")
    return sa.text("nextval('samples_id_seq'::regclass)")


def _part_samples() -> None:
    """Laboratories' samples for ever; instruments' by month, what is out of all reason in one at either end.

    The months themselves are made when they are needed: app/store/partitions.py.
    """
    if not _on_postgresql():
        return
    op.execute("ALTER SEQUENCE samples_id_seq OWNED BY samples.id")
    op.execute("CREATE TABLE samples_laboratory PARTITION OF samples FOR VALUES IN (false)")
    op.execute(
        "CREATE TABLE samples_online PARTITION OF samples FOR VALUES IN (true) PARTITION BY RANGE (taken_at)"
    )
    op.execute(
        "CREATE TABLE samples_online_before PARTITION OF samples_online"
        " FOR VALUES FROM (MINVALUE) TO ('1990-01-01 00:00+00')"
    )
    op.execute(
        "CREATE TABLE samples_online_after PARTITION OF samples_online"
        " FOR VALUES FROM ('2100-01-01 00:00+00') TO (MAXVALUE)"
    )


def upgrade() -> None:
    op.create_table(
        "assessments",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sample_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("rule_set", sa.Text(), nullable=False),
        sa.Column("assessed_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("superseded_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("suspect", sa.Boolean(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=True),
        sa.Column("course", sa.Text(), nullable=True),
        sa.Column("gravity", sa.Integer(), nullable=True),
        sa.Column(
            "detail",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=True,
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assessments")),
    )
    with op.batch_alter_table("assessments", schema=None) as batch_op:
        batch_op.create_index("ix_assessments_sample_id", ["sample_id"], unique=False)
        batch_op.create_index(
            "uq_assessments_counting",
            ["sample_id"],
            unique=True,
            sqlite_where=sa.text("superseded_at IS NULL"),
            postgresql_where=sa.text("superseded_at IS NULL"),
        )

    op.create_table(
        "contacts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_contacts")),
        sa.UniqueConstraint("code", name=op.f("uq_contacts_code")),
    )
    op.create_table(
        "corrections",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sample_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "detail",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_corrections")),
    )
    with op.batch_alter_table("corrections", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_corrections_sample_id"), ["sample_id"], unique=False)

    op.create_table(
        "heartbeats",
        sa.Column("worker", sa.Text(), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("worker", name=op.f("pk_heartbeats")),
    )
    op.create_table(
        "laboratory_profiles",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("created_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_laboratory_profiles")),
    )
    with op.batch_alter_table("laboratory_profiles", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_laboratory_profiles_code"), ["code"], unique=False)

    op.create_table(
        "ladder_steps",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("urgency", sa.Text(), nullable=False),
        sa.Column("order", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ladder_steps")),
        sa.UniqueConstraint("urgency", "order", name=op.f("uq_ladder_steps_urgency_order")),
    )
    op.create_table(
        "owner_limits",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("of", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("compartment", sa.Text(), nullable=False),
        sa.Column("typical", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_owner_limits")),
        sa.UniqueConstraint(
            "scope",
            "of",
            "quantity",
            "compartment",
            name=op.f("uq_owner_limits_scope_of_quantity_compartment"),
        ),
    )
    op.create_table(
        "raw_ends",
        sa.Column("one", sa.Boolean(), nullable=False),
        sa.Column("before", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("one", name=op.f("pk_raw_ends")),
    )
    op.create_table(
        "samples",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=False,
            server_default=_next_sample_id(),
        ),
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("taken_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("current", sa.Boolean(), nullable=False),
        sa.Column("received_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("online", sa.Boolean(), nullable=False),
        sa.Column("file_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("file_line", sa.Integer(), nullable=True),
        sa.Column("laboratory_number", sa.Text(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("excluded_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("excluded_by", sa.Text(), nullable=True),
        sa.Column("excluded_because", sa.Text(), nullable=True),
        sa.Column("set_aside", sa.Text(), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("suspect", sa.Boolean(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=True),
        sa.Column("rule_set", sa.Text(), nullable=True),
        sa.Column("below", sa.Integer(), nullable=False),
        sa.Column("unjudged", sa.Integer(), nullable=False),
        sa.Column(
            "qualities",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=True,
        ),
        sa.Column("h2", sa.Double(), nullable=True),
        sa.Column("ch4", sa.Double(), nullable=True),
        sa.Column("c2h6", sa.Double(), nullable=True),
        sa.Column("c2h4", sa.Double(), nullable=True),
        sa.Column("c2h2", sa.Double(), nullable=True),
        sa.Column("co", sa.Double(), nullable=True),
        sa.Column("co2", sa.Double(), nullable=True),
        sa.Column("o2", sa.Double(), nullable=True),
        sa.Column("n2", sa.Double(), nullable=True),
        sa.Column("c3h6", sa.Double(), nullable=True),
        sa.Column("c3h8", sa.Double(), nullable=True),
        sa.Column("water", sa.Double(), nullable=True),
        sa.Column("oil_temperature", sa.Double(), nullable=True),
        sa.Column("ambient_temperature", sa.Double(), nullable=True),
        sa.Column("load", sa.Double(), nullable=True),
        sa.Column("breakdown_voltage", sa.Double(), nullable=True),
        sa.Column("acidity", sa.Double(), nullable=True),
        sa.Column("interfacial_tension", sa.Double(), nullable=True),
        sa.Column("dissipation_factor", sa.Double(), nullable=True),
        sa.Column("furfural", sa.Double(), nullable=True),
        sa.Column("relative_saturation", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint(*_key_of_samples(), name=op.f("pk_samples")),
        sa.UniqueConstraint(
            "compartment_id",
            "source_id",
            "taken_at",
            "revision",
            "online",
            name=op.f("uq_samples_compartment_id_source_id_taken_at_revision_online"),
        ),
        postgresql_partition_by="LIST (online)",
    )
    with op.batch_alter_table("samples", schema=None) as batch_op:
        batch_op.create_index(
            "ix_samples_compartment_id_taken_at", ["compartment_id", "taken_at"], unique=False
        )
        batch_op.create_index(
            "ix_samples_laboratory",
            ["compartment_id", "taken_at"],
            unique=False,
            sqlite_where=sa.text("online = 0"),
            postgresql_where=sa.text("NOT online"),
        )
        batch_op.create_index(
            "ix_samples_file_id",
            ["file_id"],
            unique=False,
            sqlite_where=sa.text("file_id IS NOT NULL"),
            postgresql_where=sa.text("file_id IS NOT NULL"),
        )

    _part_samples()
    op.create_table(
        "sites",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("code", name=op.f("uq_sites_code")),
    )
    op.create_table(
        "assets",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("site_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=True),
        sa.Column("manufacturer", sa.Text(), nullable=True),
        sa.Column("year_energized", sa.Integer(), nullable=True),
        sa.Column("rated_kv", sa.Double(), nullable=True),
        sa.Column("rated_mva", sa.Double(), nullable=True),
        sa.Column("liquid", sa.Text(), nullable=False),
        sa.Column("oil_volume_l", sa.Double(), nullable=True),
        sa.Column("preservation", sa.Text(), nullable=False),
        sa.Column("tap_changer", sa.Text(), nullable=False),
        sa.Column("norm_set", sa.Text(), nullable=False),
        sa.Column("paper", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_assets_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assets")),
        sa.UniqueConstraint("code", name=op.f("uq_assets_code")),
    )
    with op.batch_alter_table("assets", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_assets_site_id"), ["site_id"], unique=False)

    op.create_table(
        "site_contacts",
        sa.Column("site_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("contact_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(
            ["contact_id"], ["contacts.id"], name=op.f("fk_site_contacts_contact_id_contacts")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_contacts_site_id_sites")),
        sa.PrimaryKeyConstraint("site_id", "contact_id", name=op.f("pk_site_contacts")),
    )
    op.create_table(
        "compartments",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("asset_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("oil_volume_l", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["asset_id"], ["assets.id"], name=op.f("fk_compartments_asset_id_assets")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_compartments")),
        sa.UniqueConstraint("asset_id", "name", name=op.f("uq_compartments_asset_id_name")),
    )
    op.create_table(
        "sources",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("asset_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("expected_interval_minutes", sa.Integer(), nullable=True),
        sa.Column("posts_per_minute", sa.Integer(), nullable=True),
        sa.Column("profile", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["asset_id"], ["assets.id"], name=op.f("fk_sources_asset_id_assets")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sources")),
        sa.UniqueConstraint("code", name=op.f("uq_sources_code")),
    )
    with op.batch_alter_table("sources", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sources_asset_id"), ["asset_id"], unique=False)

    op.create_table(
        "alerts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("site_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("condition", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("opened_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("changed_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("sample_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("headline", sa.Text(), nullable=False),
        sa.Column("acknowledged_by", sa.Text(), nullable=True),
        sa.Column("shelved_until", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column(
            "memory",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(
            ["compartment_id"], ["compartments.id"], name=op.f("fk_alerts_compartment_id_compartments")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_alerts_site_id_sites")),
        sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f("fk_alerts_source_id_sources")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
        sa.UniqueConstraint("compartment_id", "condition", name=op.f("uq_alerts_compartment_id_condition")),
        sa.UniqueConstraint("site_id", "condition", name=op.f("uq_alerts_site_id_condition")),
        sa.UniqueConstraint("source_id", "condition", name=op.f("uq_alerts_source_id_condition")),
    )
    with op.batch_alter_table("alerts", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alerts_compartment_id"), ["compartment_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_alerts_site_id"), ["site_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_alerts_source_id"), ["source_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_alerts_state"), ["state"], unique=False)

    op.create_table(
        "api_keys",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("prefix", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("created_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("last_used_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("expires_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f("fk_api_keys_source_id_sources")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_keys")),
        sa.UniqueConstraint("prefix", name=op.f("uq_api_keys_prefix")),
    )
    with op.batch_alter_table("api_keys", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_api_keys_source_id"), ["source_id"], unique=False)

    op.create_table(
        "daily_summaries",
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("below", sa.Integer(), nullable=False),
        sa.Column(
            "ranges",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.Column("h2", sa.Double(), nullable=True),
        sa.Column("ch4", sa.Double(), nullable=True),
        sa.Column("c2h6", sa.Double(), nullable=True),
        sa.Column("c2h4", sa.Double(), nullable=True),
        sa.Column("c2h2", sa.Double(), nullable=True),
        sa.Column("co", sa.Double(), nullable=True),
        sa.Column("co2", sa.Double(), nullable=True),
        sa.Column("o2", sa.Double(), nullable=True),
        sa.Column("n2", sa.Double(), nullable=True),
        sa.Column("c3h6", sa.Double(), nullable=True),
        sa.Column("c3h8", sa.Double(), nullable=True),
        sa.Column("water", sa.Double(), nullable=True),
        sa.Column("oil_temperature", sa.Double(), nullable=True),
        sa.Column("ambient_temperature", sa.Double(), nullable=True),
        sa.Column("load", sa.Double(), nullable=True),
        sa.Column("breakdown_voltage", sa.Double(), nullable=True),
        sa.Column("acidity", sa.Double(), nullable=True),
        sa.Column("interfacial_tension", sa.Double(), nullable=True),
        sa.Column("dissipation_factor", sa.Double(), nullable=True),
        sa.Column("furfural", sa.Double(), nullable=True),
        sa.Column("relative_saturation", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["compartment_id"],
            ["compartments.id"],
            name=op.f("fk_daily_summaries_compartment_id_compartments"),
        ),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_daily_summaries_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("compartment_id", "source_id", "day", name=op.f("pk_daily_summaries")),
    )
    op.create_table(
        "files",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("uploaded_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("uploaded_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["source_id"], ["sources.id"], name=op.f("fk_files_source_id_sources")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_files")),
        sa.UniqueConstraint("source_id", "sha256", name=op.f("uq_files_source_id_sha256")),
    )
    op.create_table(
        "instrument_findings",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("begins_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("ends_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("found_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column(
            "detail",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(
            ["compartment_id"],
            ["compartments.id"],
            name=op.f("fk_instrument_findings_compartment_id_compartments"),
        ),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_instrument_findings_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_instrument_findings")),
        sa.UniqueConstraint(
            "source_id",
            "compartment_id",
            "kind",
            "quantity",
            "begins_at",
            name="uq_instrument_findings_identity",
        ),
    )
    with op.batch_alter_table("instrument_findings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_instrument_findings_source_id"), ["source_id"], unique=False)

    op.create_table(
        "instrument_states",
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("heard_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("newest_taken_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("checked_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("watched_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("token", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_instrument_states_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("source_id", name=op.f("pk_instrument_states")),
    )
    op.create_table(
        "maintenance_spells",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("begins_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("ends_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_maintenance_spells_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_maintenance_spells")),
    )
    with op.batch_alter_table("maintenance_spells", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_maintenance_spells_source_id"), ["source_id"], unique=False)

    op.create_table(
        "online_courses",
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("looked_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("since", sa.Date(), nullable=True),
        sa.Column("gravity", sa.Integer(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column(
            "detail",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(
            ["compartment_id"],
            ["compartments.id"],
            name=op.f("fk_online_courses_compartment_id_compartments"),
        ),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_online_courses_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("compartment_id", "source_id", name=op.f("pk_online_courses")),
    )
    op.create_table(
        "service_events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["compartment_id"],
            ["compartments.id"],
            name=op.f("fk_service_events_compartment_id_compartments"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_service_events")),
        sa.UniqueConstraint(
            "compartment_id", "at", "kind", name=op.f("uq_service_events_compartment_id_at_kind")
        ),
    )
    op.create_table(
        "source_compartments",
        sa.Column("source_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("compartment_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(
            ["compartment_id"],
            ["compartments.id"],
            name=op.f("fk_source_compartments_compartment_id_compartments"),
        ),
        sa.ForeignKeyConstraint(
            ["source_id"], ["sources.id"], name=op.f("fk_source_compartments_source_id_sources")
        ),
        sa.PrimaryKeyConstraint("source_id", "compartment_id", name=op.f("pk_source_compartments")),
    )
    op.create_table(
        "alert_events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("alert_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("from_state", sa.Text(), nullable=False),
        sa.Column("to_state", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("sample_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("author", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.id"], name=op.f("fk_alert_events_alert_id_alerts")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert_events")),
    )
    with op.batch_alter_table("alert_events", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alert_events_alert_id"), ["alert_id"], unique=False)

    op.create_table(
        "file_imports",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("file_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column(
            "profile",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.Column(
            "units",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.ForeignKeyConstraint(["file_id"], ["files.id"], name=op.f("fk_file_imports_file_id_files")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_file_imports")),
    )
    with op.batch_alter_table("file_imports", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_file_imports_file_id"), ["file_id"], unique=False)

    op.create_table(
        "messages",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("contact_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("alert_event_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("sample_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("to_address", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("html", sa.Text(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("thread_id", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("created_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("next_attempt_at", app.store.database.UtcDateTime(timezone=True), nullable=False),
        sa.Column("leased_until", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("sent_at", app.store.database.UtcDateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["alert_event_id"], ["alert_events.id"], name=op.f("fk_messages_alert_event_id_alert_events")
        ),
        sa.ForeignKeyConstraint(
            ["contact_id"], ["contacts.id"], name=op.f("fk_messages_contact_id_contacts")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_messages")),
        sa.UniqueConstraint(
            "alert_event_id", "to_address", name=op.f("uq_messages_alert_event_id_to_address")
        ),
        sa.UniqueConstraint("message_id", name=op.f("uq_messages_message_id")),
    )
    with op.batch_alter_table("messages", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_messages_alert_event_id"), ["alert_event_id"], unique=False)
        batch_op.create_index("ix_messages_state_next_attempt_at", ["state", "next_attempt_at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("messages", schema=None) as batch_op:
        batch_op.drop_index("ix_messages_state_next_attempt_at")
        batch_op.drop_index(batch_op.f("ix_messages_alert_event_id"))

    op.drop_table("messages")
    with op.batch_alter_table("file_imports", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_file_imports_file_id"))

    op.drop_table("file_imports")
    with op.batch_alter_table("alert_events", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_alert_events_alert_id"))

    op.drop_table("alert_events")
    op.drop_table("source_compartments")
    op.drop_table("online_courses")
    op.drop_table("service_events")
    with op.batch_alter_table("maintenance_spells", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_maintenance_spells_source_id"))

    op.drop_table("maintenance_spells")
    op.drop_table("instrument_states")
    with op.batch_alter_table("instrument_findings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_instrument_findings_source_id"))

    op.drop_table("instrument_findings")
    op.drop_table("files")
    op.drop_table("daily_summaries")
    with op.batch_alter_table("api_keys", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_api_keys_source_id"))

    op.drop_table("api_keys")
    with op.batch_alter_table("alerts", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_alerts_state"))
        batch_op.drop_index(batch_op.f("ix_alerts_source_id"))
        batch_op.drop_index(batch_op.f("ix_alerts_site_id"))
        batch_op.drop_index(batch_op.f("ix_alerts_compartment_id"))

    op.drop_table("alerts")
    with op.batch_alter_table("sources", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sources_asset_id"))

    op.drop_table("sources")
    op.drop_table("compartments")
    op.drop_table("site_contacts")
    with op.batch_alter_table("assets", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_assets_site_id"))

    op.drop_table("assets")
    op.drop_table("sites")
    with op.batch_alter_table("samples", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_samples_file_id",
            sqlite_where=sa.text("file_id IS NOT NULL"),
            postgresql_where=sa.text("file_id IS NOT NULL"),
        )
        batch_op.drop_index(
            "ix_samples_laboratory",
            sqlite_where=sa.text("online = 0"),
            postgresql_where=sa.text("NOT online"),
        )
        batch_op.drop_index("ix_samples_compartment_id_taken_at")

    op.drop_table("samples")
    op.drop_table("raw_ends")
    op.drop_table("owner_limits")
    op.drop_table("ladder_steps")
    with op.batch_alter_table("laboratory_profiles", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_laboratory_profiles_code"))

    op.drop_table("laboratory_profiles")
    op.drop_table("heartbeats")
    with op.batch_alter_table("corrections", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_corrections_sample_id"))

    op.drop_table("corrections")
    op.drop_table("contacts")
    with op.batch_alter_table("assessments", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_assessments_counting",
            sqlite_where=sa.text("superseded_at IS NULL"),
            postgresql_where=sa.text("superseded_at IS NULL"),
        )
        batch_op.drop_index("ix_assessments_sample_id")

    op.drop_table("assessments")
