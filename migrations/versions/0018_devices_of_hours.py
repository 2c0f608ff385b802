"""
Which device saw each hour of a housing, and what each of several saw alone.

Works with the previous release running: yes, the column may be empty and it does not write it. Of an hour
that the previous release summarises again after this step, the column keeps what stood there before until
`cleanside-ingest recompute`. Hours of housings with several devices become due, so that they are
distinguished in the background.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_SEVERAL = """
UPDATE hours SET revision = revision + 1 WHERE stream_id IN (
    SELECT streams.id FROM streams JOIN assignments ON assignments.device_id = streams.device_id
    WHERE assignments.housing_id IN (
        SELECT housing_id FROM assignments GROUP BY housing_id HAVING count(DISTINCT device_id) > 1
    )
)
"""


def upgrade() -> None:
    op.add_column("hour_summaries", sa.Column("devices", sa.LargeBinary(), nullable=True))
    op.execute(_SEVERAL)


def downgrade() -> None:
    op.drop_column("hour_summaries", "devices")
