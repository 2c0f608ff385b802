"""
Schemas whose code works on this one, so that the previous release starts again on a newer schema.

Works with the previous release running: yes, it does not know the table. Only a release that has this
revision itself looks into it; an earlier one still refuses a newer schema when it starts.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0040"
down_revision = "0039"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "working_releases",
        sa.Column("revision", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("revision", name="pk_working_releases"),
    )


def downgrade() -> None:
    op.drop_table("working_releases")
