"""
Audit: what a line is about as values, from which its text is made when it is read.

Lines from before keep their text as it was written. A reason of quarantine gets values too, inside the JSON
that its column holds.

Works with the previous release running: yes, the column may be empty and it does not write it. The text that
it reads is written beside the values for this one release.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("audit", sa.Column("about", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("audit", "about")
