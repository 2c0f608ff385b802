"""
Entries that people make away from the shop: which ids were carried out; and photos of plates.

Works with the previous release running: yes, two tables are added.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "entries",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("entry_id", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("machine", sa.String(64), nullable=False),
        sa.Column("content_hash", sa.String(64), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("taken_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(32), nullable=False),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_entries_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_entries"),
        sa.UniqueConstraint("owner_id", "entry_id", name="uq_entries_owner_id_entry_id"),
    )
    op.create_table(
        "plate_photos",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(32), nullable=False),
        sa.Column("jpeg", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_plate_photos_housing_id"),
        sa.PrimaryKeyConstraint("id", name="pk_plate_photos"),
    )
    op.create_index("ix_plate_photos_housing_id", "plate_photos", ["housing_id"])


def downgrade() -> None:
    op.drop_table("plate_photos")
    op.drop_table("entries")
