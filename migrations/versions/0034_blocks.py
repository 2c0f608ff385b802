"""
Readings at rest as blocks: a row holds many readings of one stream. And which forms of storage are in use.

Works with the previous release running: yes, two tables are added; it knows neither. It reads and writes
`readings` alone, so no block may be written before the last process of it has ended:
`cleanside-ingest blocks begin` asks for that and writes the row of `store_modes`. Until then the new release
reads both tables and writes rows. Only a database made from nothing begins with blocks: no earlier release
has read it.
The way back: `cleanside-ingest blocks stop`, then `cleanside-ingest blocks unpack`, which makes rows of all
blocks again, in steps. Once `blocks` is empty, the previous release may start. This revision is taken back
only then: it refuses to drop blocks that have readings.
On PostgreSQL blocks are kept by the UTC month of their first instant, as readings are (0008).
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0034"
down_revision = "0033"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    # By month, the whole could only have a key that includes the time: each month has a key of its own.
    key = [sa.PrimaryKeyConstraint("stream_id", "first_seq", name="pk_blocks")] if on_sqlite else []
    op.create_table(
        "blocks",
        sa.Column("stream_id", _ID, autoincrement=False, nullable=False),
        sa.Column("first_seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("unit_set_id", _ID, nullable=False),
        sa.Column("first_received_us", sa.BigInteger(), nullable=False),
        sa.Column("last_received_us", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        *key,
        postgresql_partition_by="RANGE (first_us)",
    )
    if not on_sqlite:
        # It is compressed: the database need not try.
        op.execute("ALTER TABLE blocks ALTER COLUMN content SET STORAGE EXTERNAL")
        op.execute("CREATE TABLE blocks_other PARTITION OF blocks DEFAULT")
        op.execute(
            "ALTER TABLE blocks_other ADD CONSTRAINT pk_blocks_other PRIMARY KEY (stream_id, first_seq)"
        )
    small = sa.text("readings < 2048")
    columns = ["stream_id", "first_seq"]
    op.create_index("ix_blocks_small", "blocks", columns, sqlite_where=small, postgresql_where=small)
    op.create_table(
        "store_modes",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("since_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_store_modes"),
    )


def downgrade() -> None:
    if op.get_bind().execute(sa.text("SELECT 1 FROM blocks LIMIT 1")).first() is not None:
        raise RuntimeError("blocks have readings; run: cleanside-ingest blocks stop, then: blocks unpack")
    op.drop_table("store_modes")
    op.drop_table("blocks")
