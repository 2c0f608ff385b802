"""
Identities of people at an OpenID provider, and tries to sign in there.

Works with the previous release running: yes, it knows neither table. A person whom it resets or revokes keeps
the identity until all processes are new, and cannot sign in with it: the state of the person decides.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0033"
down_revision = "0032"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "person_identities",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("person_id", _ID, nullable=False),
        sa.Column("issuer", sa.String(length=400), nullable=False),
        sa.Column("subject", sa.String(length=255), nullable=False),
        sa.Column("created_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name="fk_person_identities_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_person_identities"),
        sa.UniqueConstraint("issuer", "subject", name="uq_person_identities_issuer_subject"),
    )
    op.create_index("ix_person_identities_person_id", "person_identities", ["person_id"])
    op.create_table(
        "oidc_tries",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("state_hash", sa.String(length=64), nullable=False),
        sa.Column("browser_hash", sa.String(length=64), nullable=False),
        sa.Column("nonce", sa.String(length=64), nullable=False),
        sa.Column("verifier", sa.String(length=64), nullable=False),
        sa.Column("next", sa.String(length=2000), nullable=False),
        sa.Column("expires_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_oidc_tries"),
        sa.UniqueConstraint("state_hash", name="uq_oidc_tries_state_hash"),
    )


def downgrade() -> None:
    op.drop_table("oidc_tries")
    op.drop_table("person_identities")
