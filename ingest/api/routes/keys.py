"""Keys: made, listed, revoked. A key is shown once, when it is made."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from pydantic import Field

from cleanside.ingest.api.routes.described_fleet import KeyMade, KeyRevoked, KeysAnswer
from cleanside.ingest.api.routes.paging import P, page_answer
from cleanside.ingest.api.routes.shared import (
    Name,
    PathName,
    R,
    Strict,
    Words,
    keyring_of,
    needs,
    problems,
    router_of,
    shown,
    text,
)
from cleanside.ingest.errors import Complaint, NotFound, Refused
from cleanside.ingest.owners import access
from cleanside.ingest.store import fleet, keys
from cleanside.ingest.store.keys import Key

router = router_of("keys")

Admin = Annotated[Key, Depends(needs("keys:manage"))]


class NewKeyRequest(Strict):
    """A key to be made."""

    role: Literal["device", "integrator", "planner", "operator", "admin"]
    devices: list[Name] = Field(
        default_factory=list,
        max_length=1_000,
        description="devices it may post for; roles device, integrator",
    )
    note: Words = Field("", max_length=200, examples=["gateway of grader-07"])


@router.post("/v1/keys", status_code=201, summary="Make a key", response_model=KeyMade)
def post_key(body: NewKeyRequest, resources: R, key: Admin) -> dict[str, Any]:
    """Make a key for this owner. The answer shows it once; keep it where only its user reads it."""
    check_devices(body.role, body.devices)
    new = access.new_key()

    def save(connection: sa.Connection) -> None:
        now_us = resources.clock()
        keys.create(
            connection,
            handle=new.handle,
            secret_hash=new.secret_hash,
            owner_id=key.owner_id,
            role=body.role,
            note=body.note,
            devices=body.devices,
            now_us=now_us,
        )
        fleet.note(
            connection, key.owner_id, now_us, key.handle, "key", f"{new.handle} {body.model_dump_json()}"
        )

    resources.writer.call(save)
    return {"key": new.token, "handle": new.handle, "role": body.role, "devices": body.devices}


def check_devices(role: str, devices: list[str]) -> None:
    """Raise Refused where a key's devices do not fit its role."""
    detail = ""
    if role == "device" and not devices:
        detail = "a key of role device is bound to its devices; name at least one"
    if devices and role not in access.BOUND_ROLES:
        detail = f"a key of role {role} is not bound to devices; leave them out"
    if detail:
        raise Refused(422, "not_valid", detail, errors=[Complaint("#/devices", detail)])


@router.get("/v1/keys", summary="Keys", responses=shown(KeysAnswer, tagged=True), response_class=Response)
def get_keys(request: Request, resources: R, key: Admin, page: P) -> Response:
    """The keys of this owner, without their secrets, oldest first."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        found = keys.list_of(connection, key.owner_id, after_id=after_id, limit=page.limit + 1)
    shown, cursor = page.cut(found, lambda k: (k.id,))
    return page_answer(request, "keys", [document_of(k) for k in shown], cursor)


def document_of(key: Key) -> dict[str, Any]:
    """A key for an answer; never its secret."""
    return {
        "handle": key.handle,
        "role": key.role,
        "devices": sorted(key.devices),
        "note": key.note,
        "created_at": text(key.created_us),
        "last_used_at": text(key.last_used_us),
        "revoked_at": text(key.revoked_us),
    }


@router.delete(
    "/v1/keys/{handle}", summary="Revoke a key", response_model=KeyRevoked, responses=problems(404)
)
def delete_key(handle: PathName, request: Request, resources: R, key: Admin) -> dict[str, Any]:
    """Revoke a key for ever. Once this is answered, this server refuses it."""

    def save(connection: sa.Connection) -> None:
        now_us = resources.clock()
        if not keys.revoke(connection, key.owner_id, handle, now_us):
            raise NotFound("key", handle)
        fleet.note(connection, key.owner_id, now_us, key.handle, "key_revoked", handle)

    resources.writer.call(save)
    keyring_of(request).forget()
    return {"handle": handle, "revoked": True}
