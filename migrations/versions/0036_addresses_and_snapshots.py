"""
An address of e-mail that waits until it is confirmed; snapshots of a fleet of the last days.

Works with the previous release running: yes, it knows neither. An address that it takes is used without being
confirmed, as before, and addresses that were entered before this revision stay in use. A snapshot that it
learns keeps none of those before it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0036"
down_revision = "0035"
branch_labels = None
depends_on = None


_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "earlier_snapshots",
        sa.Column("owner_id", _ID, autoincrement=False, nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("learned_us", sa.BigInteger(), nullable=False),
        sa.Column("kept_us", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_earlier_snapshots_owner_id"),
        sa.PrimaryKeyConstraint("owner_id", "number", name="pk_earlier_snapshots"),
    )
    with op.batch_alter_table("message_choices") as table:
        table.add_column(
            sa.Column("new_address", sa.String(length=254), nullable=False, server_default=sa.text("''"))
        )
        table.add_column(sa.Column("new_until_us", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    op.drop_table("earlier_snapshots")
    with op.batch_alter_table("message_choices") as table:
        table.drop_column("new_until_us")
        table.drop_column("new_address")
