"""
Streams that a person asked to send again from a number on.

Works with the previous release running: yes, the columns may be empty and it does not write them. It answers
with the true mark, so that a gateway that sends again may stop early there: ask again once all are new.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0031"
down_revision = "0030"
branch_labels = None
depends_on = None

COLUMNS = ("again_mark", "again_through")


def upgrade() -> None:
    for column in COLUMNS:
        op.add_column("streams", sa.Column(column, sa.BigInteger(), nullable=True))


def downgrade() -> None:
    for column in COLUMNS[::-1]:
        op.drop_column("streams", column)
