"""
What came back of the last trial event of a webhook.

Works with the previous release running: yes. It neither reads nor writes the column.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0042"
down_revision = "0041"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("webhooks", sa.Column("last_trial", sa.Text()))


def downgrade() -> None:
    op.drop_column("webhooks", "last_trial")
