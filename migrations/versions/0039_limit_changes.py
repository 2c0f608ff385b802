"""
What a limit replaced that a person entered, so that it can be taken back.

Works with the previous release running: yes, it does not know the table. A limit that it enters cannot be
taken back.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0039"
down_revision = "0038"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "limit_changes",
        sa.Column("id", _ID, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("valid_from_us", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("before_value", sa.Double(), nullable=True),
        sa.Column("before_unit", sa.String(length=64), nullable=True),
        sa.Column("before_pa", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_limit_changes_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_limit_changes"),
    )
    op.create_index("ix_limit_changes_housing_id", "limit_changes", ["housing_id"])


def downgrade() -> None:
    op.drop_table("limit_changes")
