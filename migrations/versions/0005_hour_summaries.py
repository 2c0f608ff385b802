"""
Hour summaries as packed tables, the flow at which a terminal restriction is stated, and fleet snapshots.

Works with the previous release running: yes. It continues with its own `summaries`, which this release leaves
alone and no longer reads; hours that it analyses after this step are missing here until
`cleanside-ingest recompute`. All hours are made due, so that the new summaries are made from the readings in
the background.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "hour_summaries",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("hour", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.LargeBinary(), nullable=True),
        sa.Column("bins", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_hour_summaries_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", "hour", name="pk_hour_summaries"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_hour_summaries_housing_id_revision", "hour_summaries", ["housing_id", "revision"], unique=False
    )
    op.create_table(
        "fleet_snapshots",
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("learned_us", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_fleet_snapshots_owner_id"),
        sa.PrimaryKeyConstraint("owner_id", name="pk_fleet_snapshots"),
    )
    op.add_column("housings", sa.Column("reference_quantity", sa.String(length=32), nullable=True))
    op.add_column("housings", sa.Column("reference_value", sa.Double(), nullable=True))
    op.add_column("housings", sa.Column("reference_unit", sa.String(length=64), nullable=True))
    op.execute("UPDATE hours SET revision = revision + 1")


def downgrade() -> None:
    for name in ("reference_unit", "reference_value", "reference_quantity"):
        op.drop_column("housings", name)
    op.drop_table("fleet_snapshots")
    op.drop_index("ix_hour_summaries_housing_id_revision", table_name="hour_summaries")
    op.drop_table("hour_summaries")
