"""
Position fix and satellites of a reading.

Works with the previous release running: yes, the columns may be empty and it does not write them. Readings
that it quarantined because the quantity was unknown are checked again at the next start of this release.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None

COLUMNS = ("position_fix_code", "satellites_count")


def upgrade() -> None:
    for column in COLUMNS:
        op.add_column("readings", sa.Column(column, sa.Double(), nullable=True))


def downgrade() -> None:
    for column in COLUMNS[::-1]:
        op.drop_column("readings", column)
