"""
Who moved a device away from a housing, or took it off.

Works with the previous release running: yes, it does not know the column. A seat that it ends says nothing of
who ended it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0037"
down_revision = "0036"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("assignments") as table:
        table.add_column(sa.Column("until_by", sa.String(length=32), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("assignments") as table:
        table.drop_column("until_by")
