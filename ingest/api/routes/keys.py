"""Keys: made, listed, replaced, revoked. A key is shown once, when it is made."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Request, Response
from pydantic import Field

from cleanside.ingest.api.routes.described_fleet import KeyMade, KeyRevoked, KeyRotated, KeysAnswer
from cleanside.ingest.api.routes.described_kinds import Role
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    At,
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
    us,
)
from cleanside.ingest.errors import NotFound
from cleanside.ingest.owners import access, key_life
from cleanside.ingest.owners.key_life import MOST_OVERLAP_HOURS, OVERLAP_HOURS, expires_soon
from cleanside.ingest.store import keys
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("keys")

Admin = Annotated[Key, Depends(needs("keys:manage"))]


class NewKeyRequest(Strict):
    """An order for a key."""

    role: Role
    devices: list[Name] = Field(
        default_factory=list,
        max_length=1_000,
        description="devices it may post for; roles device, integrator",
    )
    note: Words = Field("", max_length=200, examples=["gateway of grader-07"])
    expires_at: At | None = Field(None, description="when it ends; left out: it lasts")


class NewRotation(Strict):
    """An order to replace a key."""

    overlap_hours: int = Field(
        OVERLAP_HOURS,
        ge=0,
        le=MOST_OVERLAP_HOURS,
        description=(
            "how long the replaced key goes on [h]; an admin key at least until its successor was used"
        ),
    )
    expires_at: At | None = Field(
        None, description="end of the successor; left out: it is valid for as long as the replaced key was"
    )


@router.post(
    "/v1/keys", status_code=201, summary="Make a key", response_model=KeyMade, responses=problems(409)
)
@example({"role": "device", "devices": ["{device}"]})
def post_key(body: NewKeyRequest, resources: R, key: Admin) -> dict[str, Any]:
    """
    Make a key for this owner. The answer shows it once; keep it where only its user reads it.

    With expires_at it ends then; two weeks before, every answer to it has the header Key-Expires. An admin
    key gets an end only where another admin key has none.
    """
    new = access.new_key()
    wanted = key_life.WantedKey(
        owner_id=key.owner_id,
        who=key.handle,
        role=body.role,
        devices=body.devices,
        note=body.note,
        expires_us=us(body.expires_at),
    )
    made = resources.writer.call(lambda c: key_life.make(c, wanted, new, resources.clock()))
    return _made(made, new.token)


@router.post(
    "/v1/keys/{handle}/rotations",
    status_code=201,
    summary="Replace a key",
    response_model=KeyRotated,
    responses=problems(404, 409, 429),
)
@example({})
def post_key_rotation(
    handle: PathName,
    body: NewRotation,
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("keys:rotate"))],
) -> dict[str, Any]:
    """
    Make the successor of a key: same role, devices and note. The replaced key stays valid for the overlap.

    A key of role device replaces itself alone, at most once an hour. A reply was lost: ask again with the old
    key; the successor that was never used gets a new secret.
    """
    if key.role != "admin" and handle != key.handle:
        raise NotFound("key", handle)
    new = access.new_key()
    done = resources.writer.call(
        lambda connection: key_life.rotate(
            connection,
            key,
            handle,
            new,
            overlap_us=body.overlap_hours * key_life.HOUR_US,
            expires_us=us(body.expires_at),
            now_us=resources.clock(),
        )
    )
    services_of(request).keyring.forget()
    token = access.token_of(done.key.handle, new)
    return _made(done.key, token) | {
        "replaces": done.replaces,
        "replaced_ends_at": text(done.ends_us),
        "earlier_secret_made_at": text(done.earlier_us),
    }


def _made(made: Key, token: str) -> dict[str, Any]:
    return {
        "key": token,
        "handle": made.handle,
        "role": made.role,
        "devices": sorted(made.devices),
        "expires_at": text(made.expires_us),
    }


@router.get("/v1/keys", summary="Keys", responses=shown(KeysAnswer, tagged=True), response_class=Response)
def get_keys(request: Request, resources: R, key: Admin, page: P) -> Response:
    """The keys of this owner, without their secrets, oldest first."""
    kept, cursor = list_keys(resources, key, page)
    return page_answer(request, "keys", kept, cursor)


def list_keys(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of keys, and the cursor of the next."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        rows = keys.list_of(connection, key.owner_id, after_id=after_id, limit=page.limit + 1)
    shown, cursor = page.cut(rows, lambda k: (k.id,))
    now_us = resources.clock()
    return [document_of(k, now_us) for k in shown], cursor


def document_of(key: Key, now_us: int) -> dict[str, Any]:
    """A key for an answer; never its secret."""
    return {
        "handle": key.handle,
        "role": key.role,
        "state": key.state(now_us),
        "devices": sorted(key.devices),
        "note": key.note,
        "created_at": text(key.created_us),
        "last_used_at": text(key.last_used_us),
        "revoked_at": text(key.revoked_us),
        "expires_at": text(key.expires_us),
        "expires_soon": expires_soon(key, now_us),
        "replaced_by": key.replaced_by,
        "suspended_at": text(key.suspended_us),
    }


@router.delete(
    "/v1/keys/{handle}", summary="Revoke a key", response_model=KeyRevoked, responses=problems(404, 409)
)
def delete_key(handle: PathName, request: Request, resources: R, key: Admin) -> dict[str, Any]:
    """
    Revoke a key for ever. Once this is answered, this server refuses it.

    Where the key leaked, revoke its successor (replaced_by) too. The last admin key without an end stays.
    """
    ended = resources.writer.call(
        lambda connection: key_life.revoke(connection, key.owner_id, handle, key.handle, resources.clock())
    )
    services_of(request).keyring.forget()
    return {"handle": handle, "revoked": True, "replaced_by": ended.replaced_by}
