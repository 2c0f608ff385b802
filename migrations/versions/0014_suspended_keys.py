"""
Keys that a restore suspended: they do nothing until a person confirms them.

Works with the previous release running: yes, a nullable column is added. The previous release takes a
suspended key for a valid one, so no backup is restored for it until its last process has ended.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("keys", sa.Column("suspended_us", sa.BigInteger(), nullable=True))
