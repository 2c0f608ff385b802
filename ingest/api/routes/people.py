"""People: invited, listed, changed, given a new link, and out again. An admin decides."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from pydantic import Field

from cleanside.ingest.api.routes.described_kinds import PersonRole
from cleanside.ingest.api.routes.described_people import (
    PeopleAnswer,
    PersonInvited,
    PersonShown,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.shared import (
    DisplayName,
    Name,
    PathName,
    R,
    Strict,
    Words,
    needs,
    problems,
    router_of,
    shown,
    text,
)
from cleanside.ingest.api.routes.signed_in import own_address
from cleanside.ingest.owners import people, sessions
from cleanside.ingest.owners.people import WantedPerson
from cleanside.ingest.store import people as people_store
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import Person
from cleanside.ingest.writer.resources import Resources

router = router_of("people")

Admin = Annotated[Key, Depends(needs("people:manage"))]
Sites = Annotated[list[Name], Field(max_length=people.MOST_SITES, examples=[["plateau-north"]])]


class NewPerson(Strict):
    """A person to be invited."""

    name: Words = Field(
        max_length=64,  # `ingest.owners.people` has the rule, and says it
        description="what they sign in with: 1 to 32 small letters, digits and - . _",
        examples=["mara.lindt"],
    )
    role: PersonRole
    display_name: DisplayName | None = None
    sites: Sites = Field(default_factory=list, description="the sites they see; empty: all")


class PersonChange(Strict):
    """What is changed of a person; left out: as it is."""

    role: PersonRole | None = None
    display_name: DisplayName | None = None
    sites: Sites | None = Field(None, description="the sites they see; empty: all")


@router.post(
    "/v1/people",
    status_code=201,
    summary="Invite a person",
    response_model=PersonInvited,
    responses=problems(403, 404, 409),
)
@example({"name": "ines.kolb", "role": "technician", "sites": ["{site}"]})
def post_person(body: NewPerson, request: Request, resources: R, key: Admin) -> dict[str, Any]:
    """
    Invite a person. The answer has the link once; whoever opens it within a week sets the password.

    Names are not given out again: the audit log knows people by them.
    """
    wanted = WantedPerson(
        owner_id=key.owner_id,
        name=body.name,
        role=body.role,
        display_name=body.display_name or None,
        sites=frozenset(body.sites),
    )
    token = sessions.new_token()
    made_link = link(request, token)

    def save(connection: sa.Connection) -> dict[str, Any]:
        made = people.invite(connection, wanted, token, key, resources.clock())
        return _document(connection, made)

    return resources.writer.call(save) | {"link": made_link}


def link(request: Request, token: str) -> str:
    """The link of an invitation. Raises Refused (409) where no address is sure, before anything is made."""
    return people.link(own_address(request), token)


@router.get("/v1/people", summary="People", responses=shown(PeopleAnswer, tagged=True))
def get_people(request: Request, resources: R, key: Admin, page: P) -> Response:
    """The people of this owner by name, those who are out too."""
    kept, cursor = list_people(resources, key, page)
    return page_answer(request, "people", kept, cursor)


def list_people(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of people, and the cursor of the next."""
    after = page.after(str)
    with resources.reading() as connection:
        found = people_store.list_of(
            connection, key.owner_id, after=None if after is None else after[0], limit=page.limit + 1
        )
        kept, cursor = page.cut(found, lambda person: (person.name,))
        ends = people_store.invitation_ends(connection, [person.id for person in kept])
    return [document_of(p, ends.get(p.id)) for p in kept], cursor


def document_of(person: Person, invited_until_us: int | None) -> dict[str, Any]:
    """A person for an answer."""
    return {
        "person": person.name,
        "display_name": person.display_name,
        "role": person.role,
        "sites": sorted(person.sites),
        "state": person.state,
        "created_at": text(person.created_us),
        "who": person.who,
        "last_seen_at": text(person.seen_us),
        "invited_until": text(invited_until_us),
        "revoked_at": text(person.revoked_us),
    }


def _document(connection: sa.Connection, person: Person) -> dict[str, Any]:
    ends = people_store.invitation_ends(connection, [person.id])
    return document_of(person, ends.get(person.id))


@router.patch(
    "/v1/people/{person}",
    summary="Change a person's role, sites or display name",
    response_model=PersonShown,
    responses=problems(403, 404, 409),
)
@example({"role": "planner"})
def patch_person(person: PathName, body: PersonChange, resources: R, key: Admin) -> dict[str, Any]:
    """Change a person; it holds from their next request on. The last admin for all sites stays one."""
    changes = body.model_dump(exclude_none=True)

    def save(connection: sa.Connection) -> dict[str, Any]:
        after = people.edit(connection, key.owner_id, person, key, resources.clock(), **changes)
        return _document(connection, after)

    return resources.writer.call(save)


@router.post(
    "/v1/people/{person}/resets",
    status_code=201,
    summary="Give a person a new link",
    response_model=PersonInvited,
    responses=problems(403, 404, 409),
)
def post_person_reset(person: PathName, request: Request, resources: R, key: Admin) -> dict[str, Any]:
    """For who forgot the password or lost the link. Password and sessions end at once."""
    token = sessions.new_token()
    made_link = link(request, token)

    def save(connection: sa.Connection) -> dict[str, Any]:
        after = people.reset(connection, key.owner_id, person, token, key, resources.clock())
        return _document(connection, after)

    return resources.writer.call(save) | {"link": made_link}


@router.delete(
    "/v1/people/{person}",
    summary="Revoke a person",
    response_model=PersonShown,
    responses=problems(403, 404, 409),
)
def delete_person(person: PathName, resources: R, key: Admin) -> dict[str, Any]:
    """
    Let a person never sign in again. Once this is answered, every process refuses their sessions.

    What they did stays under their name. The last admin who can sign in for all sites stays.
    """

    def save(connection: sa.Connection) -> dict[str, Any]:
        after = people.revoke(connection, key.owner_id, person, key, resources.clock())
        return _document(connection, after)

    return resources.writer.call(save)
