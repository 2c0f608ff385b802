"""Streams: their marks, and what gateways reported."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, BigId, id_column, metadata, reference

streams = sa.Table(
    "streams",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    reference("devices", "device_id"),
    #: the UUID, or "unnumbered" and the device for readings that came without numbers
    sa.Column("stream", sa.String(80), nullable=False),
    #: every number 1..mark is stored, quarantined or declared shed
    sa.Column("mark", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("highest", sa.BigInteger, nullable=False, server_default="0"),
    #: how many rows of `islands` and `shed_ranges` there are: where 0, no query is needed
    sa.Column("island_count", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("shed_count", sa.BigInteger, nullable=False, server_default="0"),
    #: as the gateway reported; None: it never did
    sa.Column("appended_through", sa.BigInteger),
    sa.Column("installation", NAME),
    sa.Column("gateway_version", NAME),
    sa.Column("gateway_built", NAME),
    sa.Column("duplicates", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("conflicts", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("first_heard_us", sa.BigInteger, nullable=False),
    sa.Column("last_heard_us", sa.BigInteger, nullable=False),
    #: the time of the last reading by number, where the last ones are in order; as of highest = tail_seq
    sa.Column("tail_seq", sa.BigInteger),
    sa.Column("tail_us", sa.BigInteger),
    #: how far it has sent again since a person asked, and the mark at that time; None: it is not asked
    sa.Column("again_mark", sa.BigInteger),
    sa.Column("again_through", sa.BigInteger),
    sa.UniqueConstraint("owner_id", "stream"),
    sa.Index(None, "device_id"),
)


#: the mark that a gateway says it was answered, where it is above ours: a restore lost the rest
lost_marks = sa.Table(
    "lost_marks",
    metadata,
    sa.Column("stream_id", BigId, sa.ForeignKey("streams.id"), primary_key=True, autoincrement=False),
    sa.Column("acknowledged_through", sa.BigInteger, nullable=False),
)

#: the id of this database, in row 1. A restore deletes it, and the next server makes a new one.
database_identity = sa.Table(
    "database_identity",
    metadata,
    sa.Column("id", BigId, primary_key=True, autoincrement=False),
    sa.Column("database", NAME, nullable=False),
)


#: the last probe, which shows that the server can write
write_probes = sa.Table(
    "write_probes", metadata, id_column(), sa.Column("content", sa.LargeBinary, nullable=False)
)


def _range(name: str, *further: sa.Column[str]) -> sa.Table:
    return sa.Table(
        name,
        metadata,
        reference("streams", "stream_id", key=True),
        sa.Column("first", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("last", sa.BigInteger, nullable=False),
        *further,
        sa.CheckConstraint("first >= 1 AND last >= first", name="range"),
        sqlite_with_rowid=False,
    )


#: numbers beyond the mark that are stored, quarantined or shed
islands = _range("islands")
#: numbers that the gateway deleted unsent and that have not arrived after all
shed_ranges = _range("shed_ranges", sa.Column("reason", NAME, nullable=False))

#: identity of readings without numbers: one instant, one reading
instants = sa.Table(
    "instants",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("instant", sa.String(64), primary_key=True),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

#: reports of gateways beside readings: boots and events that stay whole, each once
reports = sa.Table(
    "reports",
    metadata,
    reference("streams", "stream_id", key=True),
    #: "boot" or "event"
    sa.Column("kind", sa.String(8), primary_key=True),
    #: SHA-256 of the content, hex, cut to 32
    sa.Column("digest", sa.String(32), primary_key=True),
    sa.Column("at_seq", sa.BigInteger),
    sa.Column("name", NAME),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

#: reports that are counted only, by day of receipt (ingest.store.gateway_reports)
report_days = sa.Table(
    "report_days",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("kind", sa.String(8), primary_key=True),
    #: "" where it had none, and for boots
    sa.Column("name", NAME, primary_key=True),
    #: whole days since 1970, UTC
    sa.Column("day", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("times", sa.BigInteger, nullable=False),
    sa.Column("first_us", sa.BigInteger, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    #: numbers they were reported at; None: none
    sa.Column("first_seq", sa.BigInteger),
    sa.Column("last_seq", sa.BigInteger),
    #: readings that they declare lost
    sa.Column("lost", sa.BigInteger, nullable=False, server_default="0"),
    sqlite_with_rowid=False,
)

#: how many reports of a kind a stream ever had, and how many of them are whole
report_tallies = sa.Table(
    "report_tallies",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("kind", sa.String(8), primary_key=True),
    sa.Column("name", NAME, primary_key=True),
    sa.Column("whole", sa.BigInteger, nullable=False),
    sa.Column("times", sa.BigInteger, nullable=False),
    #: highest number among those that are counted only; 0: there are none
    sa.Column("folded_through", sa.BigInteger, nullable=False, server_default="0"),
    #: readings that all of them declare as lost
    sa.Column("lost", sa.BigInteger, nullable=False, server_default="0"),
    sqlite_with_rowid=False,
)
