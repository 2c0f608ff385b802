"""What: machines, housings, limits, monitors and where they sit, elements that were changed."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, id_column, metadata, reference

machines = sa.Table(
    "machines",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    sa.Column("kind", NAME, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    #: what people call it, any text; None: its name
    sa.Column("display_name", sa.String(120)),
    #: since when it is out of use; None: it is in use
    sa.Column("retired_us", sa.BigInteger),
    sa.UniqueConstraint("owner_id", "name"),
)

housings = sa.Table(
    "housings",
    metadata,
    id_column(),
    reference("machines", "machine_id"),
    sa.Column("name", NAME, nullable=False),
    #: raised whenever one of its summaries changes
    sa.Column("revision", sa.BigInteger, nullable=False, server_default="0"),
    #: the flow at which terminal restriction is stated, as entered; None: learned from the readings
    sa.Column("reference_quantity", sa.String(32)),
    sa.Column("reference_value", sa.Double),
    sa.Column("reference_unit", sa.String(64)),
    sa.UniqueConstraint("machine_id", "name"),
)

#: the limit set by the engine maker, as it was read, from the date on which it holds
terminals = sa.Table(
    "terminals",
    metadata,
    reference("housings", "housing_id", key=True),
    sa.Column("valid_from_us", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("value", sa.Double, nullable=False),
    sa.Column("unit", sa.String(64), nullable=False),
    sa.Column("restriction_pa", sa.Double, nullable=False),
    sqlite_with_rowid=False,
)

#: limits as people entered them, each with the one that it replaced, so that it can be taken back
limit_changes = sa.Table(
    "limit_changes",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    #: when and by whom it was entered
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("valid_from_us", sa.BigInteger, nullable=False),
    sa.Column("value", sa.Double, nullable=False),
    sa.Column("unit", sa.String(64), nullable=False),
    #: what it replaced; None: there was none from that instant on
    sa.Column("before_value", sa.Double),
    sa.Column("before_unit", sa.String(64)),
    sa.Column("before_pa", sa.Double),
    sa.Index("ix_limit_changes_housing_id", "housing_id"),
)

devices = sa.Table(
    "devices",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    #: None: not registered; readings that arrived for it are quarantined
    sa.Column("registered_us", sa.BigInteger),
    sa.Column("in_service_us", sa.BigInteger),
    #: set by an admin: readings from this instant on may be true, though it was registered later
    sa.Column("history_from_us", sa.BigInteger),
    #: since when it is out of use; None: it is in use
    sa.Column("retired_us", sa.BigInteger),
    sa.UniqueConstraint("owner_id", "name"),
)

#: a device sits on a housing from ... until; None is open
assignments = sa.Table(
    "assignments",
    metadata,
    id_column(),
    reference("devices", "device_id"),
    reference("housings", "housing_id"),
    sa.Column("from_us", sa.BigInteger),
    sa.Column("until_us", sa.BigInteger),
    #: handle of whoever moved the device away, or took it off; None: it sits there, or that is not known
    sa.Column("until_by", sa.String(32)),
    sa.Index(None, "device_id"),
    sa.Index(None, "housing_id"),
)

element_changes = sa.Table(
    "element_changes",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    sa.Column("changed_us", sa.BigInteger, nullable=False),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("note", sa.String(400), nullable=False),
    #: made by the client that sent it, so that a resend is the same entry; None: made from instant and work
    sa.Column("entry_id", sa.String(64)),
    #: what was done: new, cleaned, inspected, safety_element, or nothing (denies a change that was found)
    sa.Column("what", sa.String(16), nullable=False, server_default="new"),
    #: why it holds although the readings contradict it, in a person's words; None: not confirmed
    sa.Column("confirmed_because", sa.String(400)),
    #: the device whose gateway took it, by the code on its label, and the name that was written there; None:
    #: it was entered at the shop
    sa.Column("at_device", NAME),
    sa.Column("by_name", NAME),
    #: part number of what went in; None: not entered
    sa.Column("part", sa.String(64)),
    #: when it was confirmed or corrected; None: neither, or by an earlier release
    sa.Column("confirmed_us", sa.BigInteger),
    sa.UniqueConstraint("housing_id", "entry_id"),
)

#: what people entered away from the shop, by the id that their phone gave it: each is carried out once
entries = sa.Table(
    "entries",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("entry_id", sa.String(64), nullable=False),
    #: what is entered (`ingest.api.routes.entry_kinds`)
    sa.Column("kind", sa.String(32), nullable=False),
    sa.Column("machine", sa.String(64), nullable=False),
    #: SHA-256 of kind, machine and content, to tell a resend from another entry under the same id
    sa.Column("content_hash", sa.String(64), nullable=False),
    #: when it was made, by the server's clock
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("taken_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    #: what was entered, as JSON, without photos; None: an entry of a release before 0030
    sa.Column("content", sa.Text),
    sa.UniqueConstraint("owner_id", "entry_id"),
)
