"""Messages to people, calendars, and which process does what."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, BigId, id_column, metadata, reference

#: which messages a person wants, and where; no row: none
message_choices = sa.Table(
    "message_choices",
    metadata,
    sa.Column("person_id", BigId, sa.ForeignKey("people.id"), primary_key=True, autoincrement=False),
    #: of e-mail, confirmed; "": none, so nothing is sent
    sa.Column("address", sa.String(254), nullable=False),
    #: takes its place once it is confirmed, until when; "": none waits
    sa.Column("new_address", sa.String(254), nullable=False, server_default=sa.text("''")),
    sa.Column("new_until_us", sa.BigInteger),
    #: JSON list of the kinds of matters that cannot wait
    sa.Column("alerts", sa.Text, nullable=False),
    #: none, daily or weekly
    sa.Column("digest", sa.String(8), nullable=False),
    #: time of day in their zone, like 06:00
    sa.Column("digest_at", sa.String(5), nullable=False),
    #: the last day for which a digest was written, in their zone; None: none was
    sa.Column("digest_day", sa.String(10)),
    #: of the IANA time zone database
    sa.Column("zone", NAME, nullable=False),
    #: from and until when nothing is sent, in their zone; None: no such hours
    sa.Column("quiet_from", sa.String(5)),
    sa.Column("quiet_until", sa.String(5)),
)

#: what an owner's people hear about, each from when it opened until it is settled
matters = sa.Table(
    "matters",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("kind", sa.String(32), nullable=False),
    sa.Column("subject", sa.String(200), nullable=False),
    #: it is for who sees this site; None: for who sees all sites
    sa.Column("site", NAME),
    #: the worst it was; only more than that is worse
    sa.Column("severity", sa.BigInteger, nullable=False),
    #: how often it was news: 1 as it opened, one more each time it became worse
    sa.Column("step", sa.BigInteger, nullable=False),
    sa.Column("opened_us", sa.BigInteger, nullable=False),
    sa.Column("changed_us", sa.BigInteger, nullable=False),
    #: None: it is open
    sa.Column("settled_us", sa.BigInteger),
    #: when a person said that they see to it, and who; None: no person did since it opened or became worse
    sa.Column("answered_us", sa.BigInteger),
    sa.Column("answered_by", sa.String(32)),
    #: when it was escalated, once; None: it was not
    sa.Column("escalated_us", sa.BigInteger),
    #: JSON, what is said of it
    sa.Column("about", sa.Text, nullable=False),
    sa.Index(
        "ix_matters_open",
        "owner_id",
        "kind",
        "subject",
        unique=True,
        sqlite_where=sa.text("settled_us IS NULL"),
        postgresql_where=sa.text("settled_us IS NULL"),
    ),
)

#: what holds for all messages of an owner
message_rules = sa.Table(
    "message_rules",
    metadata,
    sa.Column("owner_id", BigId, sa.ForeignKey("owners.id"), primary_key=True, autoincrement=False),
    #: who hears of a matter that no person answered; None: it is not escalated
    reference("people", "escalate_to_id", optional=True),
    sa.Column("escalate_after_h", sa.BigInteger, nullable=False, server_default="24"),
    #: when its matters were first looked at: what was open then was not news
    sa.Column("looked_us", sa.BigInteger),
)

#: messages to people, written in the transaction that caused them
messages = sa.Table(
    "messages",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    reference("people", "person_id"),
    #: the same message has the same name for its person, and so the same Message-ID
    sa.Column("name", NAME, nullable=False),
    #: of a matter, or digest or test
    sa.Column("kind", sa.String(32), nullable=False),
    reference("matters", "matter_id", optional=True),
    #: JSON, what is said
    sa.Column("about", sa.Text, nullable=False),
    sa.Column("language", sa.String(8), nullable=False),
    sa.Column("zone", NAME, nullable=False),
    sa.Column("written_us", sa.BigInteger, nullable=False),
    #: waiting, sent or given_up (until a person has it sent again)
    sa.Column("state", sa.String(12), nullable=False),
    sa.Column("tries", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("first_tried_us", sa.BigInteger),
    #: not before: the end of quiet hours, or of a wait after a failure
    sa.Column("next_us", sa.BigInteger, nullable=False),
    sa.Column("settled_us", sa.BigInteger),
    #: why the last try failed, in words
    sa.Column("reason", sa.String(200)),
    #: the same as code and values (`ingest.store.message_failures`); None: an earlier release wrote it
    sa.Column("failure", sa.Text),
    sa.UniqueConstraint("person_id", "name"),
    sa.Index(None, "state", "person_id", "id"),
    sa.Index(None, "matter_id"),
)

#: secret addresses of calendars, for programs that cannot sign in
calendar_links = sa.Table(
    "calendar_links",
    metadata,
    id_column(),
    reference("people", "person_id"),
    #: the one site it shows; None: all that the person sees
    sa.Column("site", NAME),
    sa.Column("zone", NAME, nullable=False),
    sa.Column("language", sa.String(8), nullable=False),
    #: SHA-256 of the token in the address, hex
    sa.Column("token_hash", sa.String(64), nullable=False, unique=True),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("ended_us", sa.BigInteger),
    sa.Index(None, "person_id"),
)

#: the day on which a calendar shows an event: it moves only when the date moves by a day or more
calendar_days = sa.Table(
    "calendar_days",
    metadata,
    reference("calendar_links", "link_id", key=True),
    #: what the event is about, the same for as long as the calendar lasts
    sa.Column("event", sa.String(200), primary_key=True),
    sa.Column("day", sa.String(10), nullable=False),
    #: the date as it was when the event came to this day
    sa.Column("date_us", sa.BigInteger, nullable=False),
    #: how often it moved (RFC 5545, SEQUENCE)
    sa.Column("sequence", sa.BigInteger, nullable=False),
    sa.Column("moved_us", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

#: work for one process at a time: which process does it, and until when
leases = sa.Table(
    "leases",
    metadata,
    sa.Column("name", sa.String(32), primary_key=True),
    sa.Column("holder", NAME, nullable=False),
    sa.Column("until_us", sa.BigInteger, nullable=False),
)

#: Schemas whose last process has ended (`ingest.store.releases`).
ended_releases = sa.Table(
    "ended_releases",
    metadata,
    sa.Column("revision", sa.String(32), primary_key=True),
    #: 0: there never was one
    sa.Column("at_us", sa.BigInteger, nullable=False),
)

#: Schemas whose code works on this database (`ingest.store.releases`).
working_releases = sa.Table(
    "working_releases",
    metadata,
    sa.Column("revision", sa.String(32), primary_key=True),
)
