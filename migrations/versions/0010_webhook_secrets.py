"""
Webhook secrets and addresses, encrypted; and which releases have ended.

Works with the previous release running: yes, columns and a table are added. The previous release reads and
writes `url` and `secret` in the clear. While a process of it may run, the new one writes both: clear and
encrypted. What the old one writes is encrypted beside its clear columns by the next look of a new process.
Each look is one transaction: killed, it is done again.
The clear columns are emptied only when no old process can run any more, which `ended_releases` says by a row
for 0009:
- SQLite: the first start of the new server writes it. The server holds the lock of the file, which an old
  process would hold, and an old process does not start on this schema.
- PostgreSQL: `cleanside-ingest migrate --previous-release-ended` writes it. Run it when the last old process
  has ended. Run before, it stops the deliveries of the old process; no event is lost, the new one sends it.
- A database that has no owners yet never had an old process: this revision writes it.
Earlier copies and backups of the database have the old secrets: register those webhooks again.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("webhooks", sa.Column("sealed_url", sa.Text(), nullable=True))
    op.add_column("webhooks", sa.Column("sealed_secret", sa.Text(), nullable=True))
    ended = op.create_table(
        "ended_releases",
        sa.Column("revision", sa.String(length=32), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("revision", name="pk_ended_releases"),
    )
    if op.get_bind().execute(sa.text("SELECT 1 FROM owners LIMIT 1")).first() is None:
        op.bulk_insert(ended, [{"revision": "0009", "at_us": 0}])


def downgrade() -> None:
    op.drop_table("ended_releases")
    op.drop_column("webhooks", "sealed_secret")
    op.drop_column("webhooks", "sealed_url")
