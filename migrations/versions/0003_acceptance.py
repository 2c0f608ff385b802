"""
Acceptance: terminal restrictions read a second time, and what fuel and an element cost.

Works with the previous release running: yes, two tables are added; it knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "confirmations",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("restriction_pa", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_confirmations_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_confirmations"),
    )
    op.create_index("ix_confirmations_housing_id", "confirmations", ["housing_id"], unique=False)
    op.create_table(
        "prices",
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("entered_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("fuel_l_per_h", sa.Double(), nullable=False),
        sa.Column("fuel_price_per_l", sa.Double(), nullable=False),
        sa.Column("element_price", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_prices_housing_id"),
        sa.PrimaryKeyConstraint("housing_id", name="pk_prices"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("prices")
    op.drop_index("ix_confirmations_housing_id", table_name="confirmations")
    op.drop_table("confirmations")
