"""
People's changes of quarantined readings: amendments, discards and ranges set aside, each of which can be
undone.

Works with the previous release running: yes, a table and an empty column are added; it knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "amendments",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("entries", sa.BigInteger(), nullable=False),
        sa.Column("undone_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_amendments_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_amendments"),
    )
    op.create_index("ix_amendments_owner_id", "amendments", ["owner_id"], unique=False)
    # No foreign key: SQLite would have to copy the whole table for it.
    op.add_column("quarantine", sa.Column("amendment_id", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    op.drop_column("quarantine", "amendment_id")
    op.drop_index("ix_amendments_owner_id", table_name="amendments")
    op.drop_table("amendments")
