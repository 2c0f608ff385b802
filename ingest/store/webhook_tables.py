"""Webhooks: events, their deliveries, and what was announced last."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, BigId, id_column, metadata, reference

#: addresses to which an owner's events are sent
webhooks = sa.Table(
    "webhooks",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    #: scheme, host and port; the whole address while a release before 0010 may run
    sa.Column("url", sa.String(2000), nullable=False),
    #: empty; while a release before 0010 may run, the secret that signs deliveries (base64)
    sa.Column("secret", sa.String(64), nullable=False),
    #: JSON list of the event types it wants
    sa.Column("types", sa.Text, nullable=False),
    sa.Column("note", sa.String(200), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    #: None: it is active
    sa.Column("ended_us", sa.BigInteger),
    #: address and secret, encrypted for this row (`ingest.store.webhook_secrets`); None: not yet, or ended
    sa.Column("sealed_url", sa.Text),
    sa.Column("sealed_secret", sa.Text),
    #: JSON: what came back of the last trial event; None: there was none
    sa.Column("last_trial", sa.Text),
    sa.Index(None, "owner_id"),
)

#: events, written in the transaction that noticed them
events = sa.Table(
    "events",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("type", NAME, nullable=False),
    sa.Column("subject", sa.String(200), nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    #: JSON
    sa.Column("data", sa.Text, nullable=False),
    sa.Index(None, "owner_id"),
)

#: one event on its way to one webhook; in order of event
deliveries = sa.Table(
    "deliveries",
    metadata,
    reference("webhooks", "webhook_id", key=True),
    reference("events", "event_id", key=True),
    #: waiting, delivered or dead (given up, until a person has it sent again)
    sa.Column("state", sa.String(12), nullable=False),
    sa.Column("tries", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("first_tried_us", sa.BigInteger),
    #: not before; 0: at once
    sa.Column("next_us", sa.BigInteger, nullable=False, server_default="0"),
    sa.Column("settled_us", sa.BigInteger),
    #: why the last try failed, in words
    sa.Column("reason", sa.String(200)),
    #: the same as code and values (`ingest.store.delivery_failures`); None: an earlier release wrote it
    sa.Column("failure", sa.Text),
    sa.Index(None, "state", "webhook_id", "event_id"),
    sa.Index(None, "event_id"),
    sqlite_with_rowid=False,
)

#: the last announced state of a housing, so that only news is announced
told_housings = sa.Table(
    "told_housings",
    metadata,
    sa.Column("housing_id", BigId, sa.ForeignKey("housings.id"), primary_key=True, autoincrement=False),
    sa.Column("state", sa.String(16), nullable=False),
    #: the newest found element change that was announced [us]
    sa.Column("change_us", sa.BigInteger, nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
)

#: the last announced state of an owner's readings
told_owners = sa.Table(
    "told_owners",
    metadata,
    sa.Column("owner_id", BigId, sa.ForeignKey("owners.id"), primary_key=True, autoincrement=False),
    #: the newest quarantine entry that was announced
    sa.Column("entry_id", sa.BigInteger, nullable=False),
    sa.Column("account_balances", sa.Boolean, nullable=False),
    sa.Column("account_at_us", sa.BigInteger, nullable=False),
)

#: the last announced count of the events that a stream's gateway declared
told_events = sa.Table(
    "told_events",
    metadata,
    reference("streams", "stream_id", key=True),
    sa.Column("name", NAME, primary_key=True),
    sa.Column("times", sa.BigInteger, nullable=False),
    sa.Column("lost", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)
