"""
What an entered change took from the stock of its site, and parts to order for an accepted plan of visits.

Works with the previous release running: yes, it knows neither table. A change that it enters takes nothing
from the stock, and one that it takes back gives nothing back.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0035"
down_revision = "0034"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "part_uses",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("entry_id", sa.String(length=64), nullable=False),
        sa.Column("part", sa.String(length=64), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("used_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_part_uses_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", "entry_id", name="pk_part_uses"),
    )
    op.create_table(
        "part_orders",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("part", sa.String(length=64), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("order_by", sa.String(length=10), nullable=False),
        sa.Column("needed_on", sa.String(length=10), nullable=False),
        sa.Column("planned_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("sites", sa.Text(), nullable=False),
        sa.Column("ordered_us", sa.BigInteger(), nullable=True),
        sa.Column("ordered_by", sa.String(length=64), nullable=True),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_part_orders_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_part_orders"),
    )
    op.create_index("ix_part_orders_owner_id", "part_orders", ["owner_id"])


def downgrade() -> None:
    op.drop_table("part_orders")
    op.drop_table("part_uses")
