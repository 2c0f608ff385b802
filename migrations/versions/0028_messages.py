"""
Messages to people: choices, matters, the messages themselves, calendars.

Works with the previous release running: yes, it knows none of these tables.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NAME = sa.String(64)
OPEN = sa.text("settled_us IS NULL")
TABLES = ("message_choices", "matters", "message_rules", "messages", "calendar_links", "calendar_days")


def upgrade() -> None:
    op.create_table(
        "message_choices",
        sa.Column("person_id", ID, autoincrement=False, nullable=False),
        sa.Column("address", sa.String(254), nullable=False),
        sa.Column("alerts", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(8), nullable=False),
        sa.Column("digest_at", sa.String(5), nullable=False),
        sa.Column("digest_day", sa.String(10)),
        sa.Column("zone", NAME, nullable=False),
        sa.Column("quiet_from", sa.String(5)),
        sa.Column("quiet_until", sa.String(5)),
        sa.PrimaryKeyConstraint("person_id", name="pk_message_choices"),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_message_choices_person_id"),
    )
    _matters()
    op.create_table(
        "message_rules",
        sa.Column("owner_id", ID, autoincrement=False, nullable=False),
        sa.Column("escalate_to_id", ID),
        sa.Column("escalate_after_h", sa.BigInteger(), nullable=False, server_default="24"),
        sa.Column("looked_us", sa.BigInteger()),
        sa.PrimaryKeyConstraint("owner_id", name="pk_message_rules"),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_message_rules_owner_id"),
        sa.ForeignKeyConstraint(["escalate_to_id"], ["people.id"], name="fk_message_rules_escalate_to_id"),
    )
    _messages()
    _calendars()


def _matters() -> None:
    op.create_table(
        "matters",
        sa.Column("id", ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", ID, nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("subject", sa.String(200), nullable=False),
        sa.Column("site", NAME),
        sa.Column("severity", sa.BigInteger(), nullable=False),
        sa.Column("step", sa.BigInteger(), nullable=False),
        sa.Column("opened_us", sa.BigInteger(), nullable=False),
        sa.Column("changed_us", sa.BigInteger(), nullable=False),
        sa.Column("settled_us", sa.BigInteger()),
        sa.Column("answered_us", sa.BigInteger()),
        sa.Column("answered_by", sa.String(32)),
        sa.Column("escalated_us", sa.BigInteger()),
        sa.Column("about", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_matters"),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_matters_owner_id"),
    )
    columns = ["owner_id", "kind", "subject"]
    op.create_index(
        "ix_matters_open", "matters", columns, unique=True, sqlite_where=OPEN, postgresql_where=OPEN
    )


def _messages() -> None:
    op.create_table(
        "messages",
        sa.Column("id", ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", ID, nullable=False),
        sa.Column("person_id", ID, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("matter_id", ID),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("language", sa.String(8), nullable=False),
        sa.Column("zone", NAME, nullable=False),
        sa.Column("written_us", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(12), nullable=False),
        sa.Column("tries", sa.BigInteger(), nullable=False, server_default="0"),
        sa.Column("first_tried_us", sa.BigInteger()),
        sa.Column("next_us", sa.BigInteger(), nullable=False),
        sa.Column("settled_us", sa.BigInteger()),
        sa.Column("reason", sa.String(200)),
        sa.PrimaryKeyConstraint("id", name="pk_messages"),
        sa.UniqueConstraint("person_id", "name", name="uq_messages_person_id_name"),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_messages_owner_id"),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_messages_person_id"),
        sa.ForeignKeyConstraint(["matter_id"], ["matters.id"], name="fk_messages_matter_id"),
    )
    op.create_index("ix_messages_state_person_id_id", "messages", ["state", "person_id", "id"])
    op.create_index("ix_messages_matter_id", "messages", ["matter_id"])


def _calendars() -> None:
    op.create_table(
        "calendar_links",
        sa.Column("id", ID, autoincrement=True, nullable=False),
        sa.Column("person_id", ID, nullable=False),
        sa.Column("site", NAME),
        sa.Column("zone", NAME, nullable=False),
        sa.Column("language", sa.String(8), nullable=False),
        sa.Column("token_hash", sa.String(64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger()),
        sa.PrimaryKeyConstraint("id", name="pk_calendar_links"),
        sa.UniqueConstraint("token_hash", name="uq_calendar_links_token_hash"),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_calendar_links_person_id"),
    )
    op.create_index("ix_calendar_links_person_id", "calendar_links", ["person_id"])
    op.create_table(
        "calendar_days",
        sa.Column("link_id", ID, nullable=False),
        sa.Column("event", sa.String(200), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("date_us", sa.BigInteger(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), nullable=False),
        sa.Column("moved_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("link_id", "event", name="pk_calendar_days"),
        sa.ForeignKeyConstraint(["link_id"], ["calendar_links.id"], name="fk_calendar_days_link_id"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    for table in TABLES[::-1]:
        op.drop_table(table)
