"""
How answers about people and their sessions look, for the OpenAPI description.

Times are RFC 3339 in UTC; null: not known, or not yet.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.described_kinds import Language, PasskeyDocument, PersonRole, PersonState

Next = Field(description="`cursor` of the next page; null: this is the last")
Sites = Field(description="the sites they see, by name; empty: all")


class PersonShown(Described):
    """A person who signs in."""

    person: str = Field(description="what they sign in with, and what the audit log calls them")
    display_name: str | None
    role: PersonRole
    sites: list[str] = Sites
    state: PersonState
    created_at: str
    who: str = Field(description="who invited them: a person, handle of a key, or command")
    last_seen_at: str | None
    invited_until: str | None = Field(description="until when the open link may be used; null: there is none")
    revoked_at: str | None


class PersonInvited(PersonShown):
    """A person with the link that sets their password; this is the only time it is shown."""

    link: str = Field(description="opens once; give it to them alone")


class PeopleAnswer(Described):
    """People by name, a page at a time."""

    people: list[PersonShown]
    next: str | None = Next


class MeAnswer(Described):
    """Who is signed in."""

    person: str
    display_name: str | None
    owner: str
    role: PersonRole
    sites: list[str] = Sites
    language: Language | None = Field(description="of the pages; null: as the browser asks")
    permissions: list[str] = Field(description="what the role allows")


class SessionShown(Described):
    """A browser in which somebody is signed in."""

    session: int
    this_one: bool = Field(description="the session that asks")
    began_at: str
    last_seen_at: str = Field(description="to the minute")
    ends_at: str = Field(description="at the latest; earlier after a week without a request")
    address: str = Field(description="where it began; IPv6: the network")
    browser: str = Field(description="what the browser calls itself")


class SessionsAnswer(Described):
    """One's own sessions, newest first."""

    sessions: list[SessionShown]


class SessionEnded(Described):
    """A session that is over."""

    session: int
    ended: Literal[True]


class EverySessionEnded(Described):
    """All sessions of whoever asked are over."""

    sessions: int = Field(description="how many they were")
    ended: Literal[True]


class PasskeyShown(Described):
    """A passkey, without what it holds."""

    passkey: int
    name: str
    created_at: str
    last_used_at: str | None


class PasskeysAnswer(Described):
    """One's own passkeys, oldest first."""

    passkeys: list[PasskeyShown]


class PasskeyRemoved(Described):
    """A passkey that was removed."""

    passkey: int
    removed: Literal[True]


class PasskeyOptions(Described):
    """What a browser hands to an authenticator."""

    options: PasskeyDocument = Field(description="W3C Web Authentication level 3, in its JSON form")
