"""
Codes that are used once: to enrol a device, and to take a machine over from another owner.

Works with the previous release running: yes, two tables are added; it knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "enrolments",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("code_hash", sa.String(length=64), nullable=False),
        sa.Column("device", sa.String(length=64), nullable=False),
        sa.Column("housing_id", _ID, nullable=False),
        sa.Column("assigned_from_us", sa.BigInteger(), nullable=True),
        sa.Column("in_service_us", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.Column("used_us", sa.BigInteger(), nullable=True),
        sa.Column("cancelled_us", sa.BigInteger(), nullable=True),
        sa.Column("attempt_hash", sa.String(length=64), nullable=True),
        sa.Column("key_id", _ID, nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_enrolments_owner_id"),
        sa.ForeignKeyConstraint(["housing_id"], ["housings.id"], name="fk_enrolments_housing_id"),
        sa.ForeignKeyConstraint(["key_id"], ["keys.id"], name="fk_enrolments_key_id"),
        sa.PrimaryKeyConstraint("id", name="pk_enrolments"),
        sa.UniqueConstraint("code_hash", name="uq_enrolments_code_hash"),
    )
    op.create_index("ix_enrolments_owner_id", "enrolments", ["owner_id"], unique=False)
    op.create_table(
        "transfers",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("code_hash", sa.String(length=64), nullable=False),
        sa.Column("machine_id", _ID, nullable=False),
        sa.Column("machine", sa.String(length=64), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.Column("cancelled_us", sa.BigInteger(), nullable=True),
        sa.Column("accepted_us", sa.BigInteger(), nullable=True),
        sa.Column("to_owner_id", _ID, nullable=True),
        sa.Column("accepted_who", sa.String(length=32), nullable=True),
        sa.Column("moved", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_transfers_owner_id"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_transfers_machine_id"),
        sa.ForeignKeyConstraint(["to_owner_id"], ["owners.id"], name="fk_transfers_to_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_transfers"),
        sa.UniqueConstraint("code_hash", name="uq_transfers_code_hash"),
    )
    op.create_index("ix_transfers_owner_id", "transfers", ["owner_id"], unique=False)
    op.create_index("ix_transfers_to_owner_id", "transfers", ["to_owner_id"], unique=False)
    # The audit log is read by owner, newest first.
    op.create_index("ix_audit_owner_id_id", "audit", ["owner_id", "id"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_audit_owner_id_id", table_name="audit")
    op.drop_index("ix_transfers_to_owner_id", table_name="transfers")
    op.drop_index("ix_transfers_owner_id", table_name="transfers")
    op.drop_table("transfers")
    op.drop_index("ix_enrolments_owner_id", table_name="enrolments")
    op.drop_table("enrolments")
