"""
Keys that end and are replaced; requests without authorisation, counted.

Works with the previous release running: yes, columns are nullable and it does not know the new table. It
takes a key past its end for valid, and lets the last admin key be revoked: give keys an end, and rotate
them, once the last process of the previous release has stopped.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.add_column("keys", sa.Column("expires_us", sa.BigInteger(), nullable=True))
    op.add_column("keys", sa.Column("replaced_by", sa.String(length=16), nullable=True))
    op.create_table(
        "refusals",
        sa.Column("hour", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("owner_id", _ID, autoincrement=False, nullable=False),
        sa.Column("reason", sa.String(length=32), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("hour", "owner_id", "reason", "who", name="pk_refusals"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("refusals")
    op.drop_column("keys", "replaced_by")
    op.drop_column("keys", "expires_us")
