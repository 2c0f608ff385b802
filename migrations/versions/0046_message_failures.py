"""
Why a message was not handed over, as code and values, so that pages say it in the reader's language.

Works with the previous release running: yes. It goes on with `reason`, the sentence, which stays; where the
two differ, the sentence is newer and counts.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0046"
down_revision = "0045"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("messages", sa.Column("failure", sa.Text()))


def downgrade() -> None:
    op.drop_column("messages", "failure")
