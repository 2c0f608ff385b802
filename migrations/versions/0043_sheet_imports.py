"""
What each spreadsheet changed, so that it can be taken back.

Works with the previous release running: yes. What that one takes in meanwhile has no row, and is not taken
back as a whole.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0043"
down_revision = "0042"
branch_labels = None
depends_on = None


_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "sheet_imports",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("changed", sa.Integer(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("taken_back_us", sa.BigInteger()),
        sa.Column("taken_back_by", sa.String(64)),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_sheet_imports_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_sheet_imports"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_sheet_imports_owner_id", "sheet_imports", ["owner_id"])


def downgrade() -> None:
    op.drop_table("sheet_imports")
