"""
Plausible time: from when on readings of a device may be true, as an admin set it.

Works with the previous release running: yes, the column may be empty and it does not write it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("devices", sa.Column("history_from_us", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    op.drop_column("devices", "history_from_us")
