"""
A restored server is made whole: which database this is, what gateways hold that it has lost, and
a row that shows that it can be written.

Works with the previous release running: yes, three tables are added; it knows none of them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "database_identity",
        sa.Column("id", _ID, autoincrement=False, nullable=False),
        sa.Column("database", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_database_identity"),
    )
    op.create_table(
        "lost_marks",
        sa.Column("stream_id", _ID, autoincrement=False, nullable=False),
        sa.Column("acknowledged_through", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_lost_marks_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", name="pk_lost_marks"),
    )
    op.create_table(
        "write_probes",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_write_probes"),
    )


def downgrade() -> None:
    op.drop_table("write_probes")
    op.drop_table("lost_marks")
    op.drop_table("database_identity")
