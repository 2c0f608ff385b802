"""Codes that are used once: for a monitor, for a transfer."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, id_column, metadata, reference

#: offers to enrol a device: the first gateway that shows the code gets a key for it
enrolments = sa.Table(
    "enrolments",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    #: SHA-256 of the code, hex
    sa.Column("code_hash", sa.String(64), nullable=False, unique=True),
    sa.Column("device", NAME, nullable=False),
    reference("housings", "housing_id"),
    sa.Column("assigned_from_us", sa.BigInteger),
    sa.Column("in_service_us", sa.BigInteger),
    sa.Column("note", sa.String(200), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    #: handle of the key that made it
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("used_us", sa.BigInteger),
    sa.Column("cancelled_us", sa.BigInteger),
    #: SHA-256 of the attempt's random number, so that the gateway can ask again after a lost reply
    sa.Column("attempt_hash", sa.String(64)),
    #: the key that was issued
    reference("keys", "key_id", optional=True),
    #: set by a person: earlier readings belong to this housing too, though the device sat elsewhere
    sa.Column("with_history", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Index(None, "owner_id"),
)

#: offers of a machine to the owner that shows the code
transfers = sa.Table(
    "transfers",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("code_hash", sa.String(64), nullable=False, unique=True),
    reference("machines", "machine_id"),
    #: its name when it was offered; the new owner may have given another
    sa.Column("machine", NAME, nullable=False),
    sa.Column("note", sa.String(200), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("cancelled_us", sa.BigInteger),
    sa.Column("accepted_us", sa.BigInteger),
    reference("owners", "to_owner_id", optional=True),
    sa.Column("accepted_who", sa.String(32)),
    #: JSON: what was transferred
    sa.Column("moved", sa.Text),
    sa.Index(None, "owner_id"),
    sa.Index(None, "to_owner_id"),
)
