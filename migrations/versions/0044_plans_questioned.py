"""
When an entry was confirmed, and which change a planned day was kept after: what questions a planned day.

Works with the previous release running: yes. It leaves both empty: an entry is then known since it was made,
and a day that it plans again says nothing of a change.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0044"
down_revision = "0043"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("element_changes", sa.Column("confirmed_us", sa.BigInteger()))
    op.add_column("planned_changes", sa.Column("kept_after_us", sa.BigInteger()))


def downgrade() -> None:
    op.drop_column("planned_changes", "kept_after_us")
    op.drop_column("element_changes", "confirmed_us")
