"""
Webhooks: addresses, events, deliveries, and the last announced states.

Works with the previous release running: yes, tables are added and it knows none of them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "leases",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("holder", sa.String(length=64), nullable=False),
        sa.Column("until_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_leases"),
    )
    op.create_table(
        "events",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("type", sa.String(length=64), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("data", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_events_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
    )
    op.create_index("ix_events_owner_id", "events", ["owner_id"], unique=False)
    op.create_table(
        "told_owners",
        sa.Column("owner_id", _ID, autoincrement=False, nullable=False),
        sa.Column("entry_id", sa.BigInteger(), nullable=False),
        sa.Column("account_balances", sa.Boolean(), nullable=False),
        sa.Column("account_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_told_owners_owner_id"),
        sa.PrimaryKeyConstraint("owner_id", name="pk_told_owners"),
    )
    op.create_table(
        "webhooks",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("url", sa.String(length=2000), nullable=False),
        sa.Column("secret", sa.String(length=64), nullable=False),
        sa.Column("types", sa.Text(), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_webhooks_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_webhooks"),
    )
    op.create_index("ix_webhooks_owner_id", "webhooks", ["owner_id"], unique=False)
    op.create_table(
        "deliveries",
        sa.Column("webhook_id", _ID, nullable=False),
        sa.Column("event_id", _ID, nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("tries", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("first_tried_us", sa.BigInteger(), nullable=True),
        sa.Column("next_us", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("settled_us", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(["event_id"], ["events.id"], name="fk_deliveries_event_id"),
        sa.ForeignKeyConstraint(["webhook_id"], ["webhooks.id"], name="fk_deliveries_webhook_id"),
        sa.PrimaryKeyConstraint("webhook_id", "event_id", name="pk_deliveries"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_deliveries_state_webhook_id_event_id",
        "deliveries",
        ["state", "webhook_id", "event_id"],
        unique=False,
    )
    op.create_table(
        "told_housings",
        sa.Column("housing_id", _ID, autoincrement=False, nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("change_us", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_told_housings_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", name="pk_told_housings"),
    )


def downgrade() -> None:
    op.drop_table("told_housings")
    op.drop_index("ix_deliveries_state_webhook_id_event_id", table_name="deliveries")
    op.drop_table("deliveries")
    op.drop_index("ix_webhooks_owner_id", table_name="webhooks")
    op.drop_table("webhooks")
    op.drop_table("told_owners")
    op.drop_index("ix_events_owner_id", table_name="events")
    op.drop_table("events")
    op.drop_table("leases")
