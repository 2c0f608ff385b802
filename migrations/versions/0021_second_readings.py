"""
Both are right: where the second of two readings under one number went.

Works with the previous release running: yes, a table is added. It does not undo what this release kept.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "second_readings",
        sa.Column("entry_id", _ID, nullable=False),
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("was_there", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["quarantine.id"], name="fk_second_readings_entry_id"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_second_readings_stream_id"),
        sa.PrimaryKeyConstraint("entry_id", name="pk_second_readings"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("second_readings")
