"""
The seat of a device has its date: an enrolment states whether the device's history moves too.

Machines get a display name. Machines and devices can be retired. What a person compared by hand at an
acceptance is kept.

Works with the previous release running: yes, columns with a default or nullable ones and a table are added.
The previous release takes the history of a used device along, whatever the enrolment says, and lists what is
retired.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

# SQLite numbers rows by itself only for a plain INTEGER key.
BIG_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.add_column(
        "enrolments", sa.Column("with_history", sa.Boolean(), nullable=False, server_default=sa.false())
    )
    op.add_column("machines", sa.Column("display_name", sa.String(120), nullable=True))
    op.add_column("machines", sa.Column("retired_us", sa.BigInteger(), nullable=True))
    op.add_column("devices", sa.Column("retired_us", sa.BigInteger(), nullable=True))
    op.create_table(
        "hand_comparisons",
        sa.Column("id", BIG_ID, nullable=False, autoincrement=True),
        sa.Column("housing_id", BIG_ID, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(32), nullable=False),
        sa.Column("subject", sa.String(32), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(64), nullable=True),
        sa.Column("value_si", sa.Double(), nullable=True),
        sa.Column("compared_with", sa.String(200), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_hand_comparisons_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_hand_comparisons"),
    )
    op.create_index("ix_hand_comparisons_housing_id", "hand_comparisons", ["housing_id"])
