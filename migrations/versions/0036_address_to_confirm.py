"""
An address of e-mail that waits until its person confirms it by the link that was sent there.

Works with the previous release running: yes, it does not know the columns. An address that it takes is used
without being confirmed, as before; addresses that were entered before this revision stay in use.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0036"
down_revision = "0035"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("message_choices") as table:
        table.add_column(sa.Column("new_address", sa.String(length=254), nullable=False, server_default=""))
        table.add_column(sa.Column("new_until_us", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("message_choices") as table:
        table.drop_column("new_until_us")
        table.drop_column("new_address")
