"""
How an order of parts ended, where its pieces went, and which one a person entered without a plan.

Works with the previous release running: yes, it knows none of it. An order that it closes says not how, so it
cannot be opened again. One entered by hand and not placed yet is replaced when it accepts a plan.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0038"
down_revision = "0037"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("part_orders") as table:
        table.add_column(sa.Column("ended_as", sa.String(length=8), nullable=True))
        table.add_column(sa.Column("ended_by", sa.String(length=64), nullable=True))
        table.add_column(sa.Column("came_to", sa.String(length=64), nullable=True))
        table.add_column(sa.Column("came_pieces", sa.Integer(), nullable=True))
        table.add_column(sa.Column("entry_id", sa.String(length=64), nullable=True))
    op.create_index("ix_part_orders_entry_id", "part_orders", ["owner_id", "entry_id"], unique=True)


def downgrade() -> None:
    op.drop_index("ix_part_orders_entry_id", table_name="part_orders")
    with op.batch_alter_table("part_orders") as table:
        for name in ("entry_id", "came_pieces", "came_to", "ended_by", "ended_as"):
            table.drop_column(name)
