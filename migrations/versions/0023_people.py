"""
People: accounts, invitations, sessions, counted tries to sign in, and passkeys.

Works with the previous release running: yes, tables are added. It takes no session, so people sign in to
processes of this release alone.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "people",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("handle", sa.String(length=16), nullable=False),
        sa.Column("display_name", sa.String(length=120), nullable=True),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("language", sa.String(length=8), nullable=True),
        sa.Column("password_hash", sa.String(length=200), nullable=True),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("seen_us", sa.BigInteger(), nullable=True),
        sa.Column("suspended_us", sa.BigInteger(), nullable=True),
        sa.Column("revoked_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_people_owner_id"),
        sa.PrimaryKeyConstraint("id", name="pk_people"),
        sa.UniqueConstraint("handle", name="uq_people_handle"),
        sa.UniqueConstraint("owner_id", "name", name="uq_people_owner_id_name"),
    )
    op.create_table(
        "person_sites",
        sa.Column("person_id", _ID, nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_person_sites_person_id"),
        sa.PrimaryKeyConstraint("person_id", "site", name="pk_person_sites"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "invitations",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("owner_id", _ID, nullable=False),
        sa.Column("person_id", _ID, nullable=True),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.Column("used_us", sa.BigInteger(), nullable=True),
        sa.Column("cancelled_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["owner_id"], ["owners.id"], name="fk_invitations_owner_id"),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_invitations_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_invitations"),
        sa.UniqueConstraint("token_hash", name="uq_invitations_token_hash"),
    )
    op.create_index("ix_invitations_person_id", "invitations", ["person_id"])
    op.create_table(
        "sessions",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("person_id", _ID, nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("seen_us", sa.BigInteger(), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.Column("ended_us", sa.BigInteger(), nullable=True),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("agent", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_sessions_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
        sa.UniqueConstraint("token_hash", name="uq_sessions_token_hash"),
    )
    op.create_index("ix_sessions_person_id", "sessions", ["person_id"])
    op.create_table(
        "sign_in_tries",
        sa.Column("scope", sa.String(length=8), nullable=False),
        sa.Column("subject", sa.String(length=64), nullable=False),
        sa.Column("tries", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("scope", "subject", name="pk_sign_in_tries"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_sign_in_tries_last_us", "sign_in_tries", ["last_us"])
    op.create_table(
        "passkeys",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("person_id", _ID, nullable=False),
        sa.Column("credential", sa.String(length=1400), nullable=False),
        sa.Column("public_key", sa.LargeBinary(), nullable=False),
        sa.Column("sign_count", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.Column("used_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_passkeys_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_passkeys"),
        sa.UniqueConstraint("credential", name="uq_passkeys_credential"),
    )
    op.create_index("ix_passkeys_person_id", "passkeys", ["person_id"])
    op.create_table(
        "passkey_challenges",
        sa.Column("challenge_hash", sa.String(length=64), nullable=False),
        sa.Column("person_id", _ID, nullable=True),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_passkey_challenges_person_id"),
        sa.PrimaryKeyConstraint("challenge_hash", name="pk_passkey_challenges"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_passkey_challenges_expires_us", "passkey_challenges", ["expires_us"])


def downgrade() -> None:
    for table in (
        "passkey_challenges",
        "passkeys",
        "sign_in_tries",
        "sessions",
        "invitations",
        "person_sites",
        "people",
    ):
        op.drop_table(table)
