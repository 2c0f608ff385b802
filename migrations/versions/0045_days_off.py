"""
Days on which a shop changes no element, with its planning terms: holidays, and when it is closed.

Works with the previous release running: yes. It plans by the days of the week alone.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0045"
down_revision = "0044"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("planning_terms", sa.Column("days_off", sa.Text()))


def downgrade() -> None:
    op.drop_column("planning_terms", "days_off")
