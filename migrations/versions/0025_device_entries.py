"""
Entries made at the machine: by the code on the gateway's label, in numberings of their own.

Works with the previous release running: it inserts, updates and deletes as before. It reads an element change
made at the machine like one that a planner entered, so that it may count before a person or the readings have
confirmed it: replace all processes before gateways of this release send entries.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.add_column("element_changes", sa.Column("at_device", sa.String(64), nullable=True))
    op.add_column("element_changes", sa.Column("by_name", sa.String(64), nullable=True))
    op.create_table(
        "entry_streams",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("device_id", _ID, nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("acknowledged_through", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_entry_streams_device_id"),
        sa.PrimaryKeyConstraint("id", name="pk_entry_streams"),
        sa.UniqueConstraint("device_id", "stream", name="uq_entry_streams_device_id_stream"),
    )
    op.create_table(
        "device_entries",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("device_id", _ID, nullable=False),
        sa.Column("entry_id", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("at_uncertainty_s", sa.Double(), nullable=True),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.String(32), nullable=False),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_device_entries_device_id"),
        sa.PrimaryKeyConstraint("id", name="pk_device_entries"),
        sa.UniqueConstraint("device_id", "entry_id", name="uq_device_entries_device_id_entry_id"),
    )


def downgrade() -> None:
    op.drop_table("device_entries")
    op.drop_table("entry_streams")
    with op.batch_alter_table("element_changes") as table:
        table.drop_column("by_name")
        table.drop_column("at_device")
