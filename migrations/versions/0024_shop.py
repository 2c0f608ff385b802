"""
What the shop knows of its machines: sites, crews, parts and stock, papers, meter and gauge, planned changes.

Works with the previous release running: yes, tables are added, and it reads none of them.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_NAME = sa.String(length=64)
_DAY = sa.String(length=10)


def upgrade() -> None:
    _named("sites")
    _named("crews")
    op.create_table(
        "parts",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("number", _NAME, nullable=False),
        sa.Column("description", sa.String(length=200), nullable=False),
        sa.Column("lead_time_days", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_parts_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_parts"),
        sa.UniqueConstraint("owner_id", "number", name="uq_parts_owner_id_number"),
    )
    op.create_table(
        "stock",
        sa.Column("part_id", _ID, nullable=False),
        sa.Column("site_id", _ID, nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["part_id"], ["parts.id"], name="fk_stock_part_id"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_stock_site_id"),
        sa.PrimaryKeyConstraint("part_id", "site_id", name="pk_stock"),
        sqlite_with_rowid=False,
    )
    _papers()
    _read_by_people()
    op.create_table(
        "planned_changes",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("planned_on", _DAY, nullable=False),
        sa.Column("passes_us", sa.BigInteger(), nullable=False),
        sa.Column("planned_us", sa.BigInteger(), nullable=False),
        sa.Column("who", _NAME, nullable=False),
        sa.Column("note", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_planned_changes_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", name="pk_planned_changes"),
    )


def _named(table: str) -> None:
    op.create_table(
        table,
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("name", _NAME, nullable=False),
        sa.Column("display_name", sa.String(length=120), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name=f"fk_{table}_owner_id"),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
        sa.UniqueConstraint("owner_id", "name", name=f"uq_{table}_owner_id_name"),
    )


def _papers() -> None:
    op.create_table(
        "machine_papers",
        sa.Column("machine_id", _ID, nullable=False),
        sa.Column("site_id", _ID, nullable=True),
        sa.Column("crew_id", _ID, nullable=True),
        sa.Column("service", sa.String(length=120), nullable=True),
        sa.Column("service_meter_h", sa.Double(), nullable=True),
        sa.Column("service_on", _DAY, nullable=True),
        sa.Column("laid_up_from", _DAY, nullable=True),
        sa.Column("laid_up_until", _DAY, nullable=True),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_machine_papers_machine_id"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_machine_papers_site_id"),
        sa.ForeignKeyConstraint(["crew_id"], ["crews.id"], name="fk_machine_papers_crew_id"),
        sa.PrimaryKeyConstraint("machine_id", name="pk_machine_papers"),
    )
    op.create_table(
        "housing_papers",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("primary_part", _NAME, nullable=True),
        sa.Column("safety_part", _NAME, nullable=True),
        sa.Column("calendar_limit_days", sa.Integer(), nullable=True),
        sa.Column("most_cleanings", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_housing_papers_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", name="pk_housing_papers"),
    )


def _read_by_people() -> None:
    op.create_table(
        "meter_readings",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("machine_id", _ID, nullable=False),
        *_entry(),
        sa.Column("meter_h", sa.Double(), nullable=False),
        sa.Column("offset_h", sa.Double(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_meter_readings_machine_id"),
        sa.PrimaryKeyConstraint("id", name="pk_meter_readings"),
        sa.UniqueConstraint("machine_id", "entry_id", name="uq_meter_readings_machine_id_entry_id"),
    )
    op.create_table(
        "gauge_readings",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        *_entry(),
        sa.Column("source", sa.String(length=16), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", _NAME, nullable=True),
        sa.Column("restriction_pa", sa.Double(), nullable=True),
        sa.Column("latched", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_gauge_readings_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_gauge_readings"),
        sa.UniqueConstraint("housing_id", "entry_id", name="uq_gauge_readings_housing_id_entry_id"),
    )


def _entry() -> list[sa.Column[Any]]:
    return [
        sa.Column("entry_id", _NAME, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("entered_us", sa.BigInteger(), nullable=False),
        sa.Column("who", _NAME, nullable=False),
    ]


def downgrade() -> None:
    for table in ("planned_changes", "gauge_readings", "meter_readings", "housing_papers"):
        op.drop_table(table)
    for table in ("machine_papers", "stock", "parts", "crews", "sites"):
        op.drop_table(table)
