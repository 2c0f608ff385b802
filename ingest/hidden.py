"""
Removes secrets from texts: passwords of database URLs, in every text that leaves the program.

Promises: pure. A URL that cannot be read for certain is not shown at all beyond its scheme.
Leaves to others: where texts go (`ingest.cli`, `ingest.log`), addresses of webhooks
(`ingest.webhooks.addresses`).
"""

from __future__ import annotations

import json
import re
from urllib.parse import quote, unquote, urlsplit

import sqlalchemy as sa

MARK = "***"
#: a shorter password is not searched by value: the rest of the text would reveal it
LEAST_TO_FIND = 6
#: members of a query that are secrets for libpq (PostgreSQL manual, "Parameter Key Words")
SECRET_MEMBERS = ("password", "sslpassword", "oauth_client_secret")

_MEMBER = re.compile(
    rf"\b({'|'.join(SECRET_MEMBERS)})(\s*=\s*)('[^']*'|\"[^\"]*\"|[^\s&'\"]+)", re.IGNORECASE
)
_USER_INFO = re.compile(r"(\b[a-zA-Z][\w+.-]*://)[^\s'\"]*@")
#: PostgreSQL shows all values of a row that breaks a constraint
_ROW = re.compile(r"(Failing row contains )\(.*")


def readable(url: str) -> sa.URL | None:
    """A database URL in parts; None where SQLAlchemy cannot read it, or a password would be read in part."""
    try:
        parsed = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError):  # ValueError: the port is no number
        return None
    places = [parsed.host] if parsed.drivername.startswith("sqlite") else [parsed.host, parsed.database]
    return None if any("@" in (place or "") for place in places) else parsed


def database_url(url: str) -> str:
    """A database URL for messages: without its password, and without its query, which may have one."""
    parsed = readable(url)
    if parsed is not None:
        return parsed.set(query={}).render_as_string(hide_password=True)
    scheme, separator, _ = url.partition("://")
    if separator:
        return f"{scheme}://{MARK}" if re.fullmatch(r"[\w+.-]{1,32}", scheme) else MARK
    return MARK if set(url) & set("@:=") else url


def passwords_of(url: str) -> tuple[str, ...]:
    """Every secret of a database URL, plain and in its written forms."""
    parsed = readable(url)
    if parsed is None:
        return ()
    given = [str(parsed.password)] if parsed.password else []
    for name, value in parsed.query.items():
        if name in SECRET_MEMBERS:
            given += [value] if isinstance(value, str) else list(value)
    written = {form for one in given for form in (one, unquote(one), quote(one), quote(one, safe=""))}
    escaped = {json.dumps(form)[1:-1] for form in written} | {repr(form)[1:-1] for form in written}
    return tuple(sorted(written | escaped, key=len, reverse=True))


def without_passwords(text: str, known: tuple[str, ...] = ()) -> str:
    """
    A text without anything that looks like a password of a URL or of libpq.

    known : `passwords_of` the database in use; they are found by value anywhere in the text.
    """
    for password in known:
        if len(password) >= LEAST_TO_FIND:
            text = text.replace(password, MARK)
    text = _MEMBER.sub(rf"\1\2{MARK}", text)
    return _ROW.sub(r"\1(not shown)", _USER_INFO.sub(rf"\1{MARK}@", text))


def origin_of(url: str) -> str:
    """Scheme, host and port of an address. Path and query may have a token."""
    parts = urlsplit(url)
    return parts._replace(netloc=parts.netloc.rpartition("@")[2], path="/", query="", fragment="").geturl()
