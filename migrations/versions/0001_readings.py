"""
The first tables: owners and keys, machines and devices, streams, readings, quarantine, hours and summaries.

Works with the previous release running: yes, there is none.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only for a plain INTEGER key.
_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "owners",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_owners"),
        sa.UniqueConstraint("name", name="uq_owners_name"),
    )
    op.create_table(
        "readings",
        sa.Column("stream_id", _ID, autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("at_uncertainty_s", sa.Double(), nullable=True),
        sa.Column("unit_set_id", _ID, nullable=False),
        sa.Column("content_hash", sa.BigInteger(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("restriction_pa", sa.Double(), nullable=True),
        sa.Column("ambient_pressure_pa", sa.Double(), nullable=True),
        sa.Column("intake_pressure_pa", sa.Double(), nullable=True),
        sa.Column("boost_pressure_pa", sa.Double(), nullable=True),
        sa.Column("engine_speed_rad_s", sa.Double(), nullable=True),
        sa.Column("engine_load_ratio", sa.Double(), nullable=True),
        sa.Column("air_mass_flow_kg_s", sa.Double(), nullable=True),
        sa.Column("air_temperature_k", sa.Double(), nullable=True),
        sa.Column("intake_temperature_k", sa.Double(), nullable=True),
        sa.Column("engine_hours_s", sa.Double(), nullable=True),
        sa.Column("supply_voltage_v", sa.Double(), nullable=True),
        sa.Column("latitude_deg", sa.Double(), nullable=True),
        sa.Column("longitude_deg", sa.Double(), nullable=True),
        sa.Column("altitude_m", sa.Double(), nullable=True),
        sa.Column("signal_strength_dbm", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("stream_id", "seq", name="pk_readings"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "unit_sets",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_unit_sets"),
        sa.UniqueConstraint("units", name="uq_unit_sets_units"),
    )
    op.create_table(
        "audit",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("what", sa.String(length=64), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_audit_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_table(
        "devices",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("registered_us", sa.BigInteger(), nullable=True),
        sa.Column("in_service_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_devices_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_devices"),
        sa.UniqueConstraint("owner_id", "name", name="uq_devices_owner_id_name"),
    )
    op.create_table(
        "keys",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("handle", sa.String(length=16), nullable=False),
        sa.Column("secret_hash", sa.String(length=64), nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("last_used_us", sa.BigInteger(), nullable=True),
        sa.Column("revoked_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_keys_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_keys"),
        sa.UniqueConstraint("handle", name="uq_keys_handle"),
    )
    op.create_table(
        "machines",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_machines_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.UniqueConstraint("owner_id", "name", name="uq_machines_owner_id_name"),
    )
    op.create_table(
        "housings",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("machine_id", _ID, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("revision", sa.BigInteger(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_housings_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_housings"),
        sa.UniqueConstraint("machine_id", "name", name="uq_housings_machine_id_name"),
    )
    op.create_table(
        "key_devices",
        sa.Column("key_id", _ID, nullable=False),
        sa.Column("device", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["keys.id"], name="fk_key_devices_key_id"),
        sa.PrimaryKeyConstraint("key_id", "device", name="pk_key_devices"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "streams",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("device_id", _ID, nullable=False),
        sa.Column("stream", sa.String(length=80), nullable=False),
        sa.Column("mark", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("highest", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("island_count", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("shed_count", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("appended_through", sa.BigInteger(), nullable=True),
        sa.Column("installation", sa.String(length=64), nullable=True),
        sa.Column("gateway_version", sa.String(length=64), nullable=True),
        sa.Column("gateway_built", sa.String(length=64), nullable=True),
        sa.Column("duplicates", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("conflicts", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("first_heard_us", sa.BigInteger(), nullable=False),
        sa.Column("last_heard_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_streams_device_id"),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_streams_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_streams"),
        sa.UniqueConstraint("owner_id", "stream", name="uq_streams_owner_id_stream"),
    )
    op.create_index("ix_streams_device_id", "streams", ["device_id"], unique=False)
    op.create_table(
        "assignments",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("device_id", _ID, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=True),
        sa.Column("until_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_assignments_device_id"),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_assignments_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_assignments"),
    )
    op.create_index("ix_assignments_device_id", "assignments", ["device_id"], unique=False)
    op.create_index("ix_assignments_housing_id", "assignments", ["housing_id"], unique=False)
    op.create_table(
        "element_changes",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
        sa.Column("entered_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_element_changes_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_element_changes"),
        sa.UniqueConstraint("housing_id", "changed_us", name="uq_element_changes_housing_id_changed_us"),
    )
    op.create_table(
        "exact_times",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("instant", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_exact_times_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "seq", name="pk_exact_times"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hours",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("hour", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("analysed_revision", sa.BigInteger(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_hours_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "hour", name="pk_hours"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_hours_behind",
        "hours",
        ["stream_id", "hour"],
        unique=False,
        sqlite_where=sa.text("revision > analysed_revision"),
        postgresql_where=sa.text("revision > analysed_revision"),
    )
    op.create_table(
        "instants",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("instant", sa.String(length=64), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_instants_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "instant", name="pk_instants"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "islands",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("first", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("first >= 1 AND last >= first", name="ck_islands_range"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_islands_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "first", name="pk_islands"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "quarantine",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("content_hash", sa.BigInteger(), nullable=False),
        sa.Column("beside", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("reasons", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("amended", sa.Text(), nullable=True),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("recheck_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_quarantine_stream_id"),
        sa.PrimaryKeyConstraint("id", name="pk_quarantine"),
        sa.UniqueConstraint(
            "stream_id", "seq", "content_hash", name="uq_quarantine_stream_id_seq_content_hash"
        ),
    )
    op.create_index("ix_quarantine_state_recheck_us", "quarantine", ["state", "recheck_us"], unique=False)
    op.create_table(
        "reports",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("at_seq", sa.BigInteger(), nullable=True),
        sa.Column("name", sa.String(length=64), nullable=True),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_reports_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "kind", "digest", name="pk_reports"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "shed_ranges",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("first", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(length=64), nullable=False),
        sa.CheckConstraint("first >= 1 AND last >= first", name="ck_shed_ranges_range"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_shed_ranges_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "first", name="pk_shed_ranges"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "summaries",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("hour", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_summaries_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", "hour", name="pk_summaries"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "terminals",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("restriction_pa", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_terminals_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", "valid_from_us", name="pk_terminals"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    for table in (
        "terminals",
        "summaries",
        "shed_ranges",
        "reports",
        "quarantine",
        "islands",
        "instants",
        "hours",
        "exact_times",
        "element_changes",
        "assignments",
        "streams",
        "key_devices",
        "housings",
        "machines",
        "keys",
        "devices",
        "audit",
        "unit_sets",
        "readings",
        "owners",
    ):
        op.drop_table(table)
