"""
What was entered without a link, beside its hash.

Works with the previous release running: yes, the column may be empty and it does not write it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0030"
down_revision = "0029"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("entries", sa.Column("content", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("entries", "content")
