"""Readings at rest, in each place and form, in quarantine, and boots that were placed better later."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store.common_columns import NAME, BigId, id_column, metadata, reference

unit_sets = sa.Table(
    "unit_sets",
    metadata,
    id_column(),
    #: JSON object quantity -> unit as sent, keys in order
    sa.Column("units", sa.Text, nullable=False, unique=True),
)

readings = sa.Table(
    "readings",
    metadata,
    # No foreign keys here: they cost a look-up a row, streams and unit sets are never deleted, and the
    # stream is locked while its readings are written.
    sa.Column("stream_id", BigId, primary_key=True, autoincrement=False),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("at_uncertainty_s", sa.Double),
    sa.Column("unit_set_id", BigId, nullable=False),
    #: of the content as sent (ingest.checking.content), signed 64 bits
    sa.Column("content_hash", sa.BigInteger, nullable=False),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    *(sa.Column(quantity.column, sa.Double) for quantity in QUANTITIES.values()),
    sqlite_with_rowid=False,
)

#: runs of readings of one stream, one set of units and one UTC month, in place of rows of `readings`; the
#: ranges of numbers of a stream never overlap
blocks = sa.Table(
    "blocks",
    metadata,
    # No foreign keys, for the reasons above. A rowid on SQLite: sqlite.org/withoutrowid.html advises it where
    # rows take more than a twentieth of a page.
    sa.Column("stream_id", BigId, primary_key=True, autoincrement=False),
    sa.Column("first_seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("last_seq", sa.BigInteger, nullable=False),
    #: lowest and highest instant
    sa.Column("first_us", sa.BigInteger, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    #: how many; fewer than numbers where some are missing between
    sa.Column("readings", sa.BigInteger, nullable=False),
    sa.Column("unit_set_id", BigId, nullable=False),
    #: lowest and highest time of receipt
    sa.Column("first_received_us", sa.BigInteger, nullable=False),
    sa.Column("last_received_us", sa.BigInteger, nullable=False),
    #: sum of the content hashes modulo 2^64, signed
    sa.Column("digest", sa.BigInteger, nullable=False),
    #: the readings (ingest.store.block_content)
    sa.Column("content", sa.LargeBinary, nullable=False),
    # Those that the merger joins (ingest.store.blocks, SMALL): few, however many are larger.
    sa.Index(
        "ix_blocks_small",
        "stream_id",
        "first_seq",
        sqlite_where=sa.text("readings < 2048"),
        postgresql_where=sa.text("readings < 2048"),
    ),
)

#: forms of storage that are in use (`ingest.store.store_modes`); no row: not in use
store_modes = sa.Table(
    "store_modes",
    metadata,
    sa.Column("name", sa.String(32), primary_key=True),
    sa.Column("since_us", sa.BigInteger, nullable=False),
)

#: instants finer than whole microseconds: leap seconds, further digits
exact_times = sa.Table(
    "exact_times",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("instant", sa.String(64), nullable=False),
    sqlite_with_rowid=False,
)

#: Parquet files that hold readings of one device and month in place of `readings` (ingest.store.archive_file)
archives = sa.Table(
    "archives",
    metadata,
    id_column(),
    reference("devices", "device_id"),
    #: of UTC, like 2026-03
    sa.Column("month", sa.String(7), nullable=False),
    #: path inside the archive folder; a file never changes
    sa.Column("file", sa.String(80), nullable=False, unique=True),
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("readings", sa.BigInteger, nullable=False),
    sa.Column("first_us", sa.BigInteger, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Index(None, "device_id", "month"),
)

#: which numbers of which streams a file has: lowest, highest, how many
archive_streams = sa.Table(
    "archive_streams",
    metadata,
    reference("streams", "stream_id", key=True),
    reference("archives", "archive_id", key=True),
    sa.Column("first_seq", sa.BigInteger, nullable=False),
    sa.Column("last_seq", sa.BigInteger, nullable=False),
    sa.Column("readings", sa.BigInteger, nullable=False),
    sa.Index(None, "archive_id"),
    sqlite_with_rowid=False,
)

#: numbers that were removed from a file since it was made: set aside, to be amended
archive_removed = sa.Table(
    "archive_removed",
    metadata,
    reference("archives", "archive_id", key=True),
    reference("streams", "stream_id", key=True),
    sa.Column("first", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("last", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

quarantine = sa.Table(
    "quarantine",
    metadata,
    id_column(),
    reference("streams", "stream_id"),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sa.Column("content_hash", sa.BigInteger, nullable=False),
    #: True: another content already has this number, or it left the numbering of its stream, given up
    sa.Column("beside", sa.Boolean, nullable=False),
    #: held (in quarantine), released (stored after all) or discarded (by a person)
    sa.Column("state", sa.String(12), nullable=False),
    sa.Column("code", sa.String(32), nullable=False),
    #: JSON list, see `reasons`
    sa.Column("reasons", sa.Text, nullable=False),
    #: JSON, whole, as sent
    sa.Column("content", sa.Text, nullable=False),
    #: JSON of the content after a person's change; None: unchanged
    sa.Column("amended", sa.Text),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    #: when the server checks again by itself; None: a person has to
    sa.Column("recheck_us", sa.BigInteger),
    #: the last of `amendments` that changed it and is not undone
    sa.Column("amendment_id", sa.BigInteger),
    sa.UniqueConstraint("stream_id", "seq", "content_hash"),
    sa.Index(None, "state", "recheck_us"),
)

#: a person's changes of quarantined readings, with what undoes them
amendments = sa.Table(
    "amendments",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    #: amend, time_right, discard, set_aside, replace, both_right, second_kept or misnumbered
    sa.Column("kind", sa.String(12), nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    #: JSON, as asked for
    sa.Column("detail", sa.Text, nullable=False),
    #: JSON list of each entry's state before
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("entries", sa.BigInteger, nullable=False),
    sa.Column("undone_us", sa.BigInteger),
    sa.Index(None, "owner_id"),
)

#: where the second of two readings under one number is stored, once a person decided that both are right
second_readings = sa.Table(
    "second_readings",
    metadata,
    reference("quarantine", "entry_id", key=True),
    reference("streams", "stream_id"),
    sa.Column("seq", sa.BigInteger, nullable=False),
    #: True: it was stored already, sent again by its gateway under that number
    sa.Column("was_there", sa.Boolean, nullable=False),
    sqlite_with_rowid=False,
)

# ---------------------------------------------------------------- boots placed better later

#: a better anchor of a boot that was sent already: its numbers first..last were measured `shift_s` later
boot_corrections = sa.Table(
    "boot_corrections",
    metadata,
    id_column(),
    reference("streams", "stream_id"),
    sa.Column("boot", NAME, nullable=False),
    sa.Column("first", sa.BigInteger, nullable=False),
    sa.Column("last", sa.BigInteger, nullable=False),
    sa.Column("shift_s", sa.Double, nullable=False),
    #: of the corrected times; None: unknown
    sa.Column("uncertainty_s", sa.Double),
    sa.Column("anchor", NAME),
    #: SHA-256 of the content, hex, cut to 32: sent again it is the same
    sa.Column("digest", sa.String(32), nullable=False),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    #: when a person undid it; None: it is in force
    sa.Column("undone_us", sa.BigInteger),
    sa.UniqueConstraint("stream_id", "digest"),
    sa.CheckConstraint("first >= 1 AND last >= first", name="range"),
)

#: times as sent, of readings whose boot was corrected
original_times = sa.Table(
    "original_times",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("at_uncertainty_s", sa.Double),
    sqlite_with_rowid=False,
)
