"""
The tables, as SQLAlchemy Core.

Promises: keys and checks of the database enforce the rules that must never break, not only the code above.
Leaves to others: queries (`ingest.store`), the way from one version to the next (`migrations`).

Instants are whole microseconds since 1970 UTC (`*_us`), so that both databases keep the same number.
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES

metadata = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)

# SQLite numbers rows by itself only for a plain INTEGER key.
BigId = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NAME = sa.String(64)


def _id() -> sa.Column[int]:
    return sa.Column("id", BigId, primary_key=True, autoincrement=True)


def _to(target: str, name: str, *, key: bool = False, optional: bool = False) -> sa.Column[int]:
    return sa.Column(name, BigId, sa.ForeignKey(f"{target}.id"), primary_key=key, nullable=optional)


# ---------------------------------------------------------------- who

owners = sa.Table(
    "owners",
    metadata,
    _id(),
    sa.Column("name", NAME, nullable=False, unique=True),
    sa.Column("created_us", sa.BigInteger, nullable=False),
)

keys = sa.Table(
    "keys",
    metadata,
    _id(),
    #: public handle, the part of the token before the dot
    sa.Column("handle", sa.String(16), nullable=False, unique=True),
    #: SHA-256 of the secret, hex
    sa.Column("secret_hash", sa.String(64), nullable=False),
    _to("owners", "owner_id"),
    sa.Column("role", sa.String(16), nullable=False),
    sa.Column("note", sa.String(200), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("last_used_us", sa.BigInteger),
    sa.Column("revoked_us", sa.BigInteger),
    #: from then on it is not valid; None: it lasts
    sa.Column("expires_us", sa.BigInteger),
    #: handle of its successor; None: it was not replaced
    sa.Column("replaced_by", sa.String(16)),
    #: since when it waits for a person to confirm it, after a restore; None: it does not
    sa.Column("suspended_us", sa.BigInteger),
)

#: the devices a key may post for, by name, so that a key can be made before its device is registered
key_devices = sa.Table(
    "key_devices",
    metadata,
    _to("keys", "key_id", key=True),
    sa.Column("device", NAME, primary_key=True),
    sqlite_with_rowid=False,
)

#: people who sign in, beside keys for programs
people = sa.Table(
    "people",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    #: what they sign in with and what the audit log calls them; lower case
    sa.Column("name", sa.String(32), nullable=False),
    #: what the file of revoked keys calls them
    sa.Column("handle", sa.String(16), nullable=False, unique=True),
    #: what people call them, any text; None: their name
    sa.Column("display_name", sa.String(120)),
    sa.Column("role", sa.String(16), nullable=False),
    #: of the pages; None: as the browser asks
    sa.Column("language", sa.String(8)),
    #: argon2id with its parameters; None: the invitation was not accepted yet
    sa.Column("password_hash", sa.String(200)),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    #: name of whoever invited them, handle of a key, or "command"
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("seen_us", sa.BigInteger),
    #: since when they wait for a person at the server, after a restore; None: they do not
    sa.Column("suspended_us", sa.BigInteger),
    sa.Column("revoked_us", sa.BigInteger),
    sa.UniqueConstraint("owner_id", "name"),
)

#: the sites a person sees, by name; no row: all of them
person_sites = sa.Table(
    "person_sites",
    metadata,
    _to("people", "person_id", key=True),
    sa.Column("site", NAME, primary_key=True),
    sqlite_with_rowid=False,
)

#: links that set a password once: of a new person, or of one whose password was reset
invitations = sa.Table(
    "invitations",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    #: None: the link of a new server, which makes the first account
    _to("people", "person_id", optional=True),
    #: SHA-256 of the token in the link, hex
    sa.Column("token_hash", sa.String(64), nullable=False, unique=True),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("used_us", sa.BigInteger),
    sa.Column("cancelled_us", sa.BigInteger),
    sa.Index(None, "person_id"),
)

#: who is signed in, in which browser
sessions = sa.Table(
    "sessions",
    metadata,
    _id(),
    _to("people", "person_id"),
    #: SHA-256 of the token in the cookie, hex
    sa.Column("token_hash", sa.String(64), nullable=False, unique=True),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("seen_us", sa.BigInteger, nullable=False),
    #: from then on it is over, however busy it is
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("ended_us", sa.BigInteger),
    #: where it began (IPv6: the network of a subscriber)
    sa.Column("address", sa.String(64), nullable=False),
    #: what the browser calls itself, cut short
    sa.Column("agent", sa.String(200), nullable=False),
    sa.Index(None, "person_id"),
)

#: tries to sign in that did not succeed (yet), the same count for all processes
sign_in_tries = sa.Table(
    "sign_in_tries",
    metadata,
    #: pair (person and address), address, person, or asked (for a challenge, by address)
    sa.Column("scope", sa.String(8), primary_key=True),
    #: SHA-256 of what is counted, hex: who mistypes may have typed a password for a name
    sa.Column("subject", sa.String(64), primary_key=True),
    sa.Column("tries", sa.BigInteger, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    sa.Index(None, "last_us"),
    sqlite_with_rowid=False,
)

#: what a person signs in with in place of a password (W3C Web Authentication level 3)
passkeys = sa.Table(
    "passkeys",
    metadata,
    _id(),
    _to("people", "person_id"),
    #: id of the credential, base64url; at most 1 023 bytes
    sa.Column("credential", sa.String(1_400), nullable=False, unique=True),
    #: COSE key
    sa.Column("public_key", sa.LargeBinary, nullable=False),
    #: of the authenticator; 0: it does not count
    sa.Column("sign_count", sa.BigInteger, nullable=False),
    #: what its person calls it
    sa.Column("name", NAME, nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("used_us", sa.BigInteger),
    sa.Index(None, "person_id"),
)

#: what an authenticator is asked to sign, once
passkey_challenges = sa.Table(
    "passkey_challenges",
    metadata,
    sa.Column("challenge_hash", sa.String(64), primary_key=True),
    #: who makes a passkey; None: somebody signs in
    _to("people", "person_id", optional=True),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Index(None, "expires_us"),
    sqlite_with_rowid=False,
)

#: who a person is at an OpenID provider
person_identities = sa.Table(
    "person_identities",
    metadata,
    _id(),
    _to("people", "person_id"),
    sa.Column("issuer", sa.String(400), nullable=False),
    #: at that issuer
    sa.Column("subject", sa.String(255), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.UniqueConstraint("issuer", "subject"),
    sa.Index(None, "person_id"),
)

#: ways through an OpenID provider's page that are not over yet, each taken once
oidc_tries = sa.Table(
    "oidc_tries",
    metadata,
    _id(),
    sa.Column("state_hash", sa.String(64), nullable=False, unique=True),
    #: of what the browser keeps, in which it was begun
    sa.Column("browser_hash", sa.String(64), nullable=False),
    sa.Column("nonce", sa.String(64), nullable=False),
    #: of PKCE
    sa.Column("verifier", sa.String(64), nullable=False),
    #: where to go then
    sa.Column("next", sa.String(2_000), nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
)

audit = sa.Table(
    "audit",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    #: handle of the key, name of the person, or "command" for the command line
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("what", sa.String(64), nullable=False),
    #: the text, for the previous release; a line from before 0022 has nothing else
    sa.Column("detail", sa.Text, nullable=False),
    #: JSON of the text's values, by name; None: a line from before 0022
    sa.Column("about", sa.Text),
    sa.Index(None, "owner_id", "id"),
    sa.Index(None, "owner_id", "what", "at_us"),
)

#: requests without authorisation, counted by hour: with a row for each, strangers could fill the disk
refusals = sa.Table(
    "refusals",
    metadata,
    #: whole hours since 1970
    sa.Column("hour", sa.BigInteger, primary_key=True, autoincrement=False),
    #: of the key; 0: no key of ours, so of no owner. Hence no foreign key
    sa.Column("owner_id", BigId, primary_key=True, autoincrement=False),
    sa.Column("reason", sa.String(32), primary_key=True),
    #: handle of the key, address (IPv6: network), or "others" beyond the bound
    sa.Column("who", sa.String(64), primary_key=True),
    sa.Column("times", sa.BigInteger, nullable=False),
    sa.Column("first_us", sa.BigInteger, nullable=False),
    sa.Column("last_us", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

# ---------------------------------------------------------------- what

machines = sa.Table(
    "machines",
    metadata,
    _id(),
    _to("owners", "owner_id"),
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
    _id(),
    _to("machines", "machine_id"),
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
    _to("housings", "housing_id", key=True),
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
    _id(),
    _to("housings", "housing_id"),
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
    _id(),
    _to("owners", "owner_id"),
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
    _id(),
    _to("devices", "device_id"),
    _to("housings", "housing_id"),
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
    _id(),
    _to("housings", "housing_id"),
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
    #: when it was confirmed; None: not confirmed, or by an earlier release
    sa.Column("confirmed_us", sa.BigInteger),
    sa.UniqueConstraint("housing_id", "entry_id"),
)

#: what people entered away from the shop, by the id that their phone gave it: each is carried out once
entries = sa.Table(
    "entries",
    metadata,
    _id(),
    _to("owners", "owner_id"),
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

# ---------------------------------------------------------------- what the shop knows

#: places where machines work, and where parts are kept
sites = sa.Table(
    "sites",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    #: what people call it, any text; None: its name
    sa.Column("display_name", sa.String(120)),
    sa.UniqueConstraint("owner_id", "name"),
)

#: people who look after machines together
crews = sa.Table(
    "crews",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    sa.Column("name", NAME, nullable=False),
    #: what people call it, any text; None: its name
    sa.Column("display_name", sa.String(120)),
    sa.UniqueConstraint("owner_id", "name"),
)

#: elements as they are ordered
parts = sa.Table(
    "parts",
    metadata,
    _id(),
    _to("owners", "owner_id"),
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
    _to("parts", "part_id", key=True),
    _to("sites", "site_id", key=True),
    sa.Column("pieces", sa.Integer, nullable=False),
    sqlite_with_rowid=False,
)

#: what an entered change took from the stock of the site where its machine was; names, because sites end
part_uses = sa.Table(
    "part_uses",
    metadata,
    _to("housings", "housing_id", key=True),
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
    _id(),
    _to("owners", "owner_id"),
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
    _id(),
    _to("owners", "owner_id"),
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
    _to("machines", "machine_id", key=True),
    _to("sites", "site_id", optional=True),
    _to("crews", "crew_id", optional=True),
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
    _to("housings", "housing_id", key=True),
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
    _id(),
    _to("machines", "machine_id"),
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
    _id(),
    _to("housings", "housing_id"),
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
    _to("housings", "housing_id", key=True),
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
    _to("owners", "owner_id", key=True),
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
    _to("sites", "site_id", key=True),
    sa.Column("km", sa.Double, nullable=False),
    sa.Column("hours", sa.Double, nullable=False),
)

#: numberings of what people entered at machines, apart from those of readings
entry_streams = sa.Table(
    "entry_streams",
    metadata,
    _id(),
    _to("devices", "device_id"),
    sa.Column("stream", sa.String(64), nullable=False),
    sa.Column("acknowledged_through", sa.BigInteger, nullable=False),
    sa.UniqueConstraint("device_id", "stream"),
)

#: what people entered at machines, as it came, and what became of it
device_entries = sa.Table(
    "device_entries",
    metadata,
    _id(),
    _to("devices", "device_id"),
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
    _id(),
    _to("housings", "housing_id"),
    sa.Column("made_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("jpeg", sa.LargeBinary, nullable=False),
    sa.Index(None, "housing_id"),
)

#: a person has read a terminal restriction a second time, and it was the same
confirmations = sa.Table(
    "confirmations",
    metadata,
    _id(),
    _to("housings", "housing_id"),
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
    _id(),
    _to("housings", "housing_id"),
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
    _to("housings", "housing_id", key=True),
    sa.Column("entered_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("currency", sa.String(3), nullable=False),
    sa.Column("fuel_l_per_h", sa.Double, nullable=False),
    sa.Column("fuel_price_per_l", sa.Double, nullable=False),
    sa.Column("element_price", sa.Double, nullable=False),
    sqlite_with_rowid=False,
)

# ---------------------------------------------------------------- codes that are used once

#: offers to enrol a device: the first gateway that shows the code gets a key for it
enrolments = sa.Table(
    "enrolments",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    #: SHA-256 of the code, hex
    sa.Column("code_hash", sa.String(64), nullable=False, unique=True),
    sa.Column("device", NAME, nullable=False),
    _to("housings", "housing_id"),
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
    _to("keys", "key_id", optional=True),
    #: set by a person: earlier readings belong to this housing too, though the device sat elsewhere
    sa.Column("with_history", sa.Boolean, nullable=False, server_default=sa.false()),
    sa.Index(None, "owner_id"),
)

#: offers of a machine to the owner that shows the code
transfers = sa.Table(
    "transfers",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    sa.Column("code_hash", sa.String(64), nullable=False, unique=True),
    _to("machines", "machine_id"),
    #: its name when it was offered; the new owner may have given another
    sa.Column("machine", NAME, nullable=False),
    sa.Column("note", sa.String(200), nullable=False),
    sa.Column("created_us", sa.BigInteger, nullable=False),
    sa.Column("who", sa.String(32), nullable=False),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Column("cancelled_us", sa.BigInteger),
    sa.Column("accepted_us", sa.BigInteger),
    _to("owners", "to_owner_id", optional=True),
    sa.Column("accepted_who", sa.String(32)),
    #: JSON: what was transferred
    sa.Column("moved", sa.Text),
    sa.Index(None, "owner_id"),
    sa.Index(None, "to_owner_id"),
)

# ---------------------------------------------------------------- streams: what was seen

streams = sa.Table(
    "streams",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    _to("devices", "device_id"),
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
write_probes = sa.Table("write_probes", metadata, _id(), sa.Column("content", sa.LargeBinary, nullable=False))


def _range(name: str, *further: sa.Column[str]) -> sa.Table:
    return sa.Table(
        name,
        metadata,
        _to("streams", "stream_id", key=True),
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
    _to("streams", "stream_id", key=True),
    sa.Column("instant", sa.String(64), primary_key=True),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

#: reports of gateways beside readings: boots and events that stay whole, each once
reports = sa.Table(
    "reports",
    metadata,
    _to("streams", "stream_id", key=True),
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
    _to("streams", "stream_id", key=True),
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
    _to("streams", "stream_id", key=True),
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

# ---------------------------------------------------------------- readings

unit_sets = sa.Table(
    "unit_sets",
    metadata,
    _id(),
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
    _to("streams", "stream_id", key=True),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("instant", sa.String(64), nullable=False),
    sqlite_with_rowid=False,
)

#: Parquet files that hold readings of one device and month in place of `readings` (ingest.store.archive_file)
archives = sa.Table(
    "archives",
    metadata,
    _id(),
    _to("devices", "device_id"),
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
    _to("streams", "stream_id", key=True),
    _to("archives", "archive_id", key=True),
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
    _to("archives", "archive_id", key=True),
    _to("streams", "stream_id", key=True),
    sa.Column("first", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("last", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

quarantine = sa.Table(
    "quarantine",
    metadata,
    _id(),
    _to("streams", "stream_id"),
    sa.Column("seq", sa.BigInteger, nullable=False),
    sa.Column("content_hash", sa.BigInteger, nullable=False),
    #: True: another content already has this number
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
    _id(),
    _to("owners", "owner_id"),
    #: amend, time_right, discard, set_aside, replace, both_right or second_kept
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
    _to("quarantine", "entry_id", key=True),
    _to("streams", "stream_id"),
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
    _id(),
    _to("streams", "stream_id"),
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
    _to("streams", "stream_id", key=True),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("at_us", sa.BigInteger, nullable=False),
    sa.Column("at_uncertainty_s", sa.Double),
    sqlite_with_rowid=False,
)

# ---------------------------------------------------------------- analysis

#: readings of one stream in one UTC hour: the time index into `readings`, and the work list of the analysis
hours = sa.Table(
    "hours",
    metadata,
    _to("streams", "stream_id", key=True),
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
    _to("housings", "housing_id", key=True),
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
    _to("housings", "housing_id", key=True),
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

# ---------------------------------------------------------------- webhooks

#: addresses to which an owner's events are sent
webhooks = sa.Table(
    "webhooks",
    metadata,
    _id(),
    _to("owners", "owner_id"),
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
    _id(),
    _to("owners", "owner_id"),
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
    _to("webhooks", "webhook_id", key=True),
    _to("events", "event_id", key=True),
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
    _to("streams", "stream_id", key=True),
    sa.Column("name", NAME, primary_key=True),
    sa.Column("times", sa.BigInteger, nullable=False),
    sa.Column("lost", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

# ---------------------------------------------------------------- messages to people

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
    _id(),
    _to("owners", "owner_id"),
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
    _to("people", "escalate_to_id", optional=True),
    sa.Column("escalate_after_h", sa.BigInteger, nullable=False, server_default="24"),
    #: when its matters were first looked at: what was open then was not news
    sa.Column("looked_us", sa.BigInteger),
)

#: messages to people, written in the transaction that caused them
messages = sa.Table(
    "messages",
    metadata,
    _id(),
    _to("owners", "owner_id"),
    _to("people", "person_id"),
    #: the same message has the same name for its person, and so the same Message-ID
    sa.Column("name", NAME, nullable=False),
    #: of a matter, or digest or test
    sa.Column("kind", sa.String(32), nullable=False),
    _to("matters", "matter_id", optional=True),
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
    _id(),
    _to("people", "person_id"),
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
    _to("calendar_links", "link_id", key=True),
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
