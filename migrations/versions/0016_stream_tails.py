"""
Where the times of a stream stand, so that a reading out of line with its neighbours shows.

Works with the previous release running: yes, both columns may be empty. It does not write them: what it left
behind of a stream's tail shows, because `tail_seq` is not the highest number then.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("streams", sa.Column("tail_seq", sa.BigInteger(), nullable=True))
    op.add_column("streams", sa.Column("tail_us", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    op.drop_column("streams", "tail_us")
    op.drop_column("streams", "tail_seq")
