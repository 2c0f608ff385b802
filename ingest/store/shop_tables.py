"""What the shop knows: sites, parts, papers, plans, what people entered and measured."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, id_column, metadata, reference

#: places where machines work, and where parts are kept
sites = sa.Table(
    "sites",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    #: what people call it, any text; None: its name
    sa.Column("display_name", sa.String(120)),
    sa.UniqueConstraint("owner_id", "name"),
)

#: people who look after machines together
crews = sa.Table(
    "crews",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    #: what people call it, any text; None: its name
    sa.Column("display_name", sa.String(120)),
    sa.UniqueConstraint("owner_id", "name"),
)

#: elements as they are ordered
parts = sa.Table(
    "parts",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    #: the part number as it stands on the box
    sa.Column("number", NAME, nullable=False),
    sa.Column("description", sa.String(200), nullable=False),
    #: from order to delivery; None: not known [days]
    sa.Column("lead_time_days", sa.Integer),
    sa.UniqueConstraint("owner_id", "number"),
)

#: how many of a part are at a site
stock = sa.Table(
    "stock",
    metadata,
    reference("parts", "part_id", key=True),
    reference("sites", "site_id", key=True),
    sa.Column("pieces", sa.Integer, nullable=False),
    sqlite_with_rowid=False,
)

#: what an entered change took from the stock of the site where its machine was; names, because sites end
part_uses = sa.Table(
    "part_uses",
    metadata,
    reference("housings", "housing_id", key=True),
    sa.Column("entry_id", sa.String(64), primary_key=True),
    sa.Column("part", sa.String(64), nullable=False),
    sa.Column("site", sa.String(64), nullable=False),
    #: 1; 0: the stock there showed none, so nothing was taken
    sa.Column("pieces", sa.Integer, nullable=False),
    sa.Column("used_us", sa.BigInteger, nullable=False),
)

#: what each spreadsheet changed
sheet_imports = sa.Table(
    "sheet_imports",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    #: machines or parts
    sa.Column("kind", sa.String(16), nullable=False),
    #: how many rows changed something
    sa.Column("changed", sa.Integer, nullable=False),
    #: JSON: these rows, with what was there before; sites and crews that it made
    sa.Column("content", sa.Text, nullable=False),
    #: None: it stands
    sa.Column("taken_back_us", sa.BigInteger),
    sa.Column("taken_back_by", sa.String(64)),
    sa.Index(None, "owner_id"),
    sqlite_autoincrement=True,
)

#: parts to order, for an accepted plan of visits or by hand, until they came or are not needed any more
part_orders = sa.Table(
    "part_orders",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    sa.Column("part", sa.String(64), nullable=False),
    sa.Column("pieces", sa.Integer, nullable=False),
    #: ISO 8601, YYYY-MM-DD
    sa.Column("order_by", sa.String(10), nullable=False),
    sa.Column("needed_on", sa.String(10), nullable=False),
    sa.Column("planned_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    #: the sites of whoever accepted the plan, by name with commas between; "": all
    sa.Column("sites", sa.Text, nullable=False),
    #: when and by whom it was ordered; None: not yet
    sa.Column("ordered_us", sa.BigInteger),
    sa.Column("ordered_by", sa.String(64)),
    #: when it came, or was given up; None: it is open
    sa.Column("ended_us", sa.BigInteger),
    #: came or dropped, and by whom; None: it is open, or ended before this was kept
    sa.Column("ended_as", sa.String(8)),
    sa.Column("ended_by", sa.String(64)),
    #: the site whose stock has it, and how many pieces came
    sa.Column("came_to", sa.String(64)),
    sa.Column("came_pieces", sa.Integer),
    #: its id where a person entered it without a plan, so that a resend is the same; None: of a plan
    sa.Column("entry_id", sa.String(64)),
    sa.Index("ix_part_orders_owner_id", "owner_id"),
    sa.Index("ix_part_orders_entry_id", "owner_id", "entry_id", unique=True),
)

#: what the shop knows of a machine; None: not known, or none
machine_papers = sa.Table(
    "machine_papers",
    metadata,
    reference("machines", "machine_id", key=True),
    reference("sites", "site_id", optional=True),
    reference("crews", "crew_id", optional=True),
    #: what people call the next scheduled service
    sa.Column("service", sa.String(120)),
    #: when it is due: by the hour meter [h], and by date (ISO 8601, YYYY-MM-DD)
    sa.Column("service_meter_h", sa.Double),
    sa.Column("service_on", sa.String(10)),
    #: laid up from and until these days, both included; until None: no end is set
    sa.Column("laid_up_from", sa.String(10)),
    sa.Column("laid_up_until", sa.String(10)),
)

#: what the shop knows of a housing; None: not known, or none
housing_papers = sa.Table(
    "housing_papers",
    metadata,
    reference("housings", "housing_id", key=True),
    #: part numbers; the part may not be in `parts`
    sa.Column("primary_part", NAME),
    sa.Column("safety_part", NAME),
    #: an element is changed after this, however clean it is [days]
    sa.Column("calendar_limit_days", sa.Integer),
    #: an element is cleaned at most so many times
    sa.Column("most_cleanings", sa.Integer),
)

#: the hour meter of a machine as people read it
meter_readings = sa.Table(
    "meter_readings",
    metadata,
    id_column(),
    reference("machines", "machine_id"),
    #: made by whoever enters it; a resend is the same entry
    sa.Column("entry_id", sa.String(64), nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    #: what it shows, and what the machine had worked before this meter was fitted [h]
    sa.Column("meter_h", sa.Double, nullable=False),
    sa.Column("offset_h", sa.Double, nullable=False, server_default="0"),
    sa.UniqueConstraint("machine_id", "entry_id"),
)

#: restriction as a person read it from a gauge or the machine's own indicator
gauge_readings = sa.Table(
    "gauge_readings",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    #: made by whoever enters it; a resend is the same entry
    sa.Column("entry_id", sa.String(64), nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    #: hand_gauge or own_indicator
    sa.Column("source", sa.String(16), nullable=False),
    #: as it was read; None: the indicator shows latched or not, and no number
    sa.Column("value", sa.Double),
    sa.Column("unit", sa.String(64)),
    sa.Column("restriction_pa", sa.Double),
    #: the indicator stood at its red mark; None: it has none, or it was not looked at
    sa.Column("latched", sa.Boolean),
    sa.UniqueConstraint("housing_id", "entry_id"),
)

#: the day on which a person means to change an element
planned_changes = sa.Table(
    "planned_changes",
    metadata,
    reference("housings", "housing_id", key=True),
    #: ISO 8601, YYYY-MM-DD
    sa.Column("planned_on", sa.String(10), nullable=False),
    #: when that day is over where the person is
    sa.Column("passes_us", sa.BigInteger, nullable=False),
    sa.Column("planned_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    sa.Column("note", sa.String(400), nullable=False),
    #: the change that questioned the day before a person kept it; None: none did
    sa.Column("kept_after_us", sa.BigInteger),
)

#: what a shop enters for its plan of visits (`ingest.planning.shop_terms`); None: not entered
planning_terms = sa.Table(
    "planning_terms",
    metadata,
    reference("owners", "owner_id", key=True),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(64), nullable=False),
    sa.Column("currency", sa.String(3)),
    sa.Column("people", sa.Integer),
    sa.Column("working_days", sa.String(7)),
    #: ISO 8601, in order, a blank between two
    sa.Column("days_off", sa.Text),
    sa.Column("hours_per_day", sa.Double),
    sa.Column("change_hours", sa.Double),
    sa.Column("stop_price", sa.Double),
    sa.Column("km_price", sa.Double),
    sa.Column("over_price_per_day", sa.Double),
    sa.Column("move_price", sa.Double),
    sa.Column("chance_allowed", sa.Double),
    sa.Column("element_price", sa.Double),
    sa.Column("fuel_l_per_h", sa.Double),
    sa.Column("fuel_price_per_l", sa.Double),
)

#: the way to a site and back: distance [km], and time of one person [h]
site_trips = sa.Table(
    "site_trips",
    metadata,
    reference("sites", "site_id", key=True),
    sa.Column("km", sa.Double, nullable=False),
    sa.Column("hours", sa.Double, nullable=False),
)

#: numberings of what people entered at machines, apart from those of readings
entry_streams = sa.Table(
    "entry_streams",
    metadata,
    id_column(),
    reference("devices", "device_id"),
    sa.Column("stream", sa.String(64), nullable=False),
    sa.Column("acknowledged_through", sa.BigInteger, nullable=False),
    sa.UniqueConstraint("device_id", "stream"),
)

#: what people entered at machines, as it came, and what became of it
device_entries = sa.Table(
    "device_entries",
    metadata,
    id_column(),
    reference("devices", "device_id"),
    #: given by whoever entered it, so that a resend is the same entry
    sa.Column("entry_id", sa.String(64), nullable=False),
    sa.Column("stream", sa.String(64), nullable=False),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("at_uncertainty_s", sa.Double),
    sa.Column("content", sa.Text, nullable=False),
    sa.Column("received_us", sa.BigInteger, nullable=False),
    #: `ingest.store.device_entries`
    sa.Column("outcome", sa.String(32), nullable=False),
    sa.UniqueConstraint("device_id", "entry_id"),
)

#: photos of the plates from which terminal restrictions were read, a few for each housing
plate_photos = sa.Table(
    "plate_photos",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("jpeg", sa.LargeBinary, nullable=False),
    sa.Index(None, "housing_id"),
)

#: a person has read a terminal restriction a second time, and it was the same
confirmations = sa.Table(
    "confirmations",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("value", sa.Double, nullable=False),
    sa.Column("unit", sa.String(64), nullable=False),
    sa.Column("restriction_pa", sa.Double, nullable=False),
    sa.Index(None, "housing_id"),
)

#: comparisons by hand at an acceptance, where the readings cannot show the answer
hand_comparisons = sa.Table(
    "hand_comparisons",
    metadata,
    id_column(),
    reference("housings", "housing_id"),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    #: which check (`ingest.restriction.verdict.installation.BY_HAND`)
    sa.Column("subject", sa.String(32), nullable=False),
    #: as the person read it; None: it has no number
    sa.Column("value", sa.Double),
    sa.Column("unit", sa.String(64)),
    sa.Column("value_si", sa.Double),
    #: the instrument
    sa.Column("compared_with", sa.String(200), nullable=False),
    sa.Index(None, "housing_id"),
)

#: prices of fuel and element, as entered by a person; the newest entry of a housing counts
prices = sa.Table(
    "prices",
    metadata,
    reference("housings", "housing_id", key=True),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("currency", sa.String(3), nullable=False),
    sa.Column("fuel_l_per_h", sa.Double, nullable=False),
    sa.Column("fuel_price_per_l", sa.Double, nullable=False),
    sa.Column("element_price", sa.Double, nullable=False),
    sqlite_with_rowid=False,
)
