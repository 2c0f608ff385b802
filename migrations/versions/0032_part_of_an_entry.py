"""
The part number of an element that went in, with its entry.

Works with the previous release running: yes, the column may be empty and it does not write it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0032"
down_revision = "0031"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("element_changes", sa.Column("part", sa.String(64), nullable=True))


def downgrade() -> None:
    op.drop_column("element_changes", "part")
