"""Who: owners, keys, people, how they sign in, and what was done."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.common_columns import NAME, BigId, id_column, metadata, reference

owners = sa.Table(
    "owners",
    metadata,
    id_column(),
    sa.Column("name", NAME, nullable=False, unique=True),
    sa.Column("created_us", sa.BigInteger, nullable=False),
)

keys = sa.Table(
    "keys",
    metadata,
    id_column(),
    #: public handle, the part of the token before the dot
    sa.Column("handle", sa.String(16), nullable=False, unique=True),
    #: SHA-256 of the secret, hex
    sa.Column("secret_hash", sa.String(64), nullable=False),
    reference("owners", "owner_id"),
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
    reference("keys", "key_id", key=True),
    sa.Column("device", NAME, primary_key=True),
    sqlite_with_rowid=False,
)

#: people who sign in, beside keys for programs
people = sa.Table(
    "people",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
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
    reference("people", "person_id", key=True),
    sa.Column("site", NAME, primary_key=True),
    sqlite_with_rowid=False,
)

#: links that set a password once: of a new person, or of one whose password was reset
invitations = sa.Table(
    "invitations",
    metadata,
    id_column(),
    reference("owners", "owner_id"),
    #: None: the link of a new server, which makes the first account
    reference("people", "person_id", optional=True),
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
    id_column(),
    reference("people", "person_id"),
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
    id_column(),
    reference("people", "person_id"),
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
    reference("people", "person_id", optional=True),
    sa.Column("expires_us", sa.BigInteger, nullable=False),
    sa.Index(None, "expires_us"),
    sqlite_with_rowid=False,
)

#: who a person is at an OpenID provider
person_identities = sa.Table(
    "person_identities",
    metadata,
    id_column(),
    reference("people", "person_id"),
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
    id_column(),
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
    id_column(),
    reference("owners", "owner_id"),
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
