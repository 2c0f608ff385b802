"""
What a shop enters for its plan of visits: prices, people, rules, and the ways to its sites.

Works with the previous release running: yes, tables are added, and it reads none of them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_AMOUNTS = (
    *("hours_per_day", "change_hours", "stop_price", "km_price", "over_price_per_day", "move_price"),
    *("chance_allowed", "element_price", "fuel_l_per_h", "fuel_price_per_l"),
)


def upgrade() -> None:
    op.create_table(
        "planning_terms",
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("entered_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("people", sa.Integer(), nullable=True),
        sa.Column("working_days", sa.String(length=7), nullable=True),
        *(sa.Column(name, sa.Double(), nullable=True) for name in _AMOUNTS),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_planning_terms_owner_id"),
        sa.PrimaryKeyConstraint("owner_id", name="pk_planning_terms"),
    )
    op.create_table(
        "site_trips",
        sa.Column("site_id", _ID, nullable=False),
        sa.Column("km", sa.Double(), nullable=False),
        sa.Column("hours", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_site_trips_site_id"),
        sa.PrimaryKeyConstraint("site_id", name="pk_site_trips"),
    )


def downgrade() -> None:
    op.drop_table("site_trips")
    op.drop_table("planning_terms")
