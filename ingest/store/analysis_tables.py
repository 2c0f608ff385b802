"""What the analysis keeps: hours, their summaries, what fleets taught."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import BigId, metadata, reference

#: readings of one stream in one UTC hour: the time index into `readings`, and the work list of the analysis
hours = sa.Table(
    "hours",
    metadata,
    reference("streams", "stream_id", key=True),
    #: whole hours since 1970
    sa.Column("hour", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("first_seq", sa.BigInteger, nullable=False),
    sa.Column("last_seq", sa.BigInteger, nullable=False),
    sa.Column("readings", sa.BigInteger, nullable=False),
    #: raised by each batch that touches the hour
    sa.Column("revision", sa.BigInteger, nullable=False),
    sa.Column("analysed_revision", sa.BigInteger, nullable=False, server_default="0"),
    sa.Index(
        "ix_hours_behind",
        "stream_id",
        "hour",
        sqlite_where=sa.text("revision > analysed_revision"),
        postgresql_where=sa.text("revision > analysed_revision"),
    ),
    sqlite_with_rowid=False,
)

#: the summary of each housing and UTC hour, made by `ingest.restriction`; they stay for ever
hour_summaries = sa.Table(
    "hour_summaries",
    metadata,
    reference("housings", "housing_id", key=True),
    sa.Column("hour", sa.BigInteger, primary_key=True, autoincrement=False),
    #: of the housing when this hour was written: a process reads the hours that are newer than those in its
    #: memory
    sa.Column("revision", sa.BigInteger, nullable=False),
    #: packed by `ingest.restriction.measure.summary`; None: the hour has no readings any more
    sa.Column("record", sa.LargeBinary),
    sa.Column("bins", sa.LargeBinary),
    #: which device saw the hour, or what each of several saw alone; None: written by the previous release
    sa.Column("devices", sa.LargeBinary),
    sa.Index(None, "housing_id", "revision"),
    sqlite_with_rowid=False,
)

#: summaries in the form of the previous release: kept for it while both run
summaries = sa.Table(
    "summaries",
    metadata,
    reference("housings", "housing_id", key=True),
    sa.Column("hour", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("record", sa.Text, nullable=False),
    sqlite_with_rowid=False,
)

#: snapshots that were in use in the last days, two of an owner: what dates would be by them shows what
#: learning moved
earlier_snapshots = sa.Table(
    "earlier_snapshots",
    metadata,
    sa.Column("owner_id", BigId, sa.ForeignKey("owners.id"), primary_key=True, autoincrement=False),
    sa.Column("number", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("learned_us", sa.BigInteger, nullable=False),
    #: when the next one took its place
    sa.Column("kept_us", sa.BigInteger, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
)

#: the newest snapshot of an owner's fleet; all processes use the same one
fleet_snapshots = sa.Table(
    "fleet_snapshots",
    metadata,
    sa.Column("owner_id", BigId, sa.ForeignKey("owners.id"), primary_key=True, autoincrement=False),
    sa.Column("number", sa.BigInteger, nullable=False),
    sa.Column("learned_us", sa.BigInteger, nullable=False),
    #: JSON of `ingest.restriction.FleetKnowledge`
    sa.Column("content", sa.Text, nullable=False),
)
