"""
Entries of an element: what was done, their id, and a person's confirmation where readings contradict them.

Works with the previous release running: yes. It enters changes without an id, which are read as new elements;
the same instant entered twice by it is two rows, which the analysis counts as one.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

#: of a service both the new element and the safety element are entered for one instant
BEFORE = "uq_element_changes_housing_id_changed_us"
AFTER = "uq_element_changes_housing_id_entry_id"


def upgrade() -> None:
    with op.batch_alter_table("element_changes") as table:
        table.add_column(sa.Column("entry_id", sa.String(length=64), nullable=True))
        table.add_column(sa.Column("what", sa.String(length=16), server_default="new", nullable=False))
        table.add_column(sa.Column("confirmed_because", sa.String(length=400), nullable=True))
        table.drop_constraint(BEFORE, type_="unique")
        table.create_unique_constraint(AFTER, ["housing_id", "entry_id"])


def downgrade() -> None:
    with op.batch_alter_table("element_changes") as table:
        table.drop_constraint(AFTER, type_="unique")
        table.create_unique_constraint(BEFORE, ["housing_id", "changed_us"])
        table.drop_column("confirmed_because")
        table.drop_column("what")
        table.drop_column("entry_id")
