"""Transfer of a machine to another owner: one admin offers it with a one-time code, another accepts."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from typing_extensions import TypeAliasType

from cleanside.ingest.api.routes.described_codes import (
    TransferAccepted,
    TransferMade,
    TransfersAnswer,
    TransferShown,
)
from cleanside.ingest.api.routes.enrolment import read_code
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import find_machine
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import (
    Name,
    NewName,
    R,
    Strict,
    Words,
    needs,
    problems,
    router_of,
    shown,
    text,
)
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import NotFound, Refused
from cleanside.ingest.owners import one_time_code, transfer
from cleanside.ingest.owners.enrolment import HOUR_US, MOST_VALID_HOURS, VALID_HOURS
from cleanside.ingest.owners.transfer import HandedOver, Names
from cleanside.ingest.store import audit, fleet, one_time_codes
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.one_time_codes import Transfer
from cleanside.ingest.writer.resources import Resources

router = router_of("transfer")

Admin = Annotated[Key, Depends(needs("transfers:manage"))]


DeviceNames = TypeAliasType(
    "DeviceNames",
    Annotated[
        dict[Name, NewName], Field(max_length=64, description="name of a device before -> its name now")
    ],
)


class NewTransfer(Strict):
    """An offer of a machine to another owner."""

    machine: Name
    valid_hours: int = Field(VALID_HOURS, ge=1, le=MOST_VALID_HOURS)
    note: Words = Field("", max_length=200, examples=["sold with its monitor"])


class Acceptance(Strict):
    """The other owner's acceptance."""

    code: str = Field(max_length=64, examples=["K7M3A-9QTWX-2BDFT"])
    machine: NewName | None = Field(None, description="name of the machine here; left out: as before")
    devices: DeviceNames = Field(
        default_factory=dict,
        description="old name of a device -> its name here; left out: as before",
        examples=[{"grader-07-intake": "crusher-03-intake"}],
    )


@router.post(
    "/v1/transfers",
    status_code=201,
    summary="Offer a machine to another owner",
    response_model=TransferMade,
    responses=problems(404),
)
@example({"machine": "{machine}"})
def post_transfer(body: NewTransfer, resources: R, key: Admin) -> dict[str, Any]:
    """
    Offer a machine with its history to the owner that shows the code. The answer has the code once.

    Nothing changes before acceptance. A new offer ends the previous one.
    """
    code = one_time_code.new_code()

    def save(connection: sa.Connection) -> Transfer:
        now_us = resources.clock()
        fleet.lock_owner(connection, key.owner_id)  # two offers at the same moment: the later one stays open
        machine = find_machine(connection, key, body.machine)
        one_time_codes.cancel_transfers_of(connection, machine.id, now_us)
        made = one_time_codes.put_transfer(
            connection,
            {
                "owner_id": key.owner_id,
                "code_hash": one_time_code.hash_of(one_time_code.read_code(code)),
                "machine_id": machine.id,
                "machine": machine.name,
                "note": body.note,
                "created_us": now_us,
                "who": key.handle,
                "expires_us": now_us + body.valid_hours * HOUR_US,
            },
        )
        about = {"transfer": made, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "transfer_offered", **about)
        return _reload(connection, key, made)

    made = resources.writer.call(save)
    return _document(made, key.owner_id, resources.clock()) | {
        "code": code,
        "cautions": shown_cautions("transfer"),
    }


@router.get(
    "/v1/transfers",
    summary="Machines given and taken",
    responses=shown(TransfersAnswer, tagged=True),
    response_class=Response,
)
def get_transfers(request: Request, resources: R, key: Admin, page: P) -> Response:
    """Offers that this owner made or accepted, newest first, without codes."""
    documents, cursor = list_transfers(resources, key, page)
    return page_answer(request, "transfers", documents, cursor)


def list_transfers(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of offers, and the cursor of the next."""
    after = page.after(int)
    with resources.reading() as connection:
        rows = one_time_codes.transfers_of(
            connection,
            key.owner_id,
            before_id=None if after is None else after[0],
            limit=page.limit + 1,
        )
    kept, cursor = page.cut(rows, lambda t: (t.id,))
    now_us = resources.clock()
    return [_document(t, key.owner_id, now_us) for t in kept], cursor


@router.delete(
    "/v1/transfers/{transfer}",
    summary="Take an offer back",
    response_model=TransferShown,
    responses=problems(404),
)
def delete_transfer(
    transfer: Annotated[int, Path(ge=1, le=2**53)], resources: R, key: Admin
) -> dict[str, Any]:
    """Cancel an offer. An accepted one stays accepted."""

    def save(connection: sa.Connection) -> Transfer:
        now_us = resources.clock()
        found = one_time_codes.transfer(connection, key.owner_id, transfer)
        if found is None:
            raise NotFound("transfer", str(transfer))
        if found.accepted_us is None and found.cancelled_us is None:
            one_time_codes.set_transfer(connection, found.id, cancelled_us=now_us)
        audit.note(connection, key.owner_id, now_us, key.handle, "transfer_cancelled", transfer=transfer)
        return _reload(connection, key, transfer)

    return _document(resources.writer.call(save), key.owner_id, resources.clock())


@router.post(
    "/v1/transfers/accept",
    summary="Take a machine over",
    response_model=TransferAccepted,
    responses=problems(403, 409),
)
@example({"code": "00000-00000-00000", "machine": "{machine}", "devices": {"old-name": "{device}"}})
async def post_transfer_acceptance(
    body: Acceptance, request: Request, resources: R, key: Admin
) -> dict[str, Any]:
    """
    Take a machine with its history: its devices, stored, quarantined and archived readings, changes and
    summaries.

    The former owner's keys lose the moved devices; make a key here for each of them.
    """
    return await take_over(body, request, resources, key)


async def take_over(body: Acceptance, request: Request, resources: Resources, key: Key) -> dict[str, Any]:
    """Accept an offer by its code. Raises Refused: 403, 409, 422, 429."""
    limits, host = services_of(request).limits, host_of(request)
    limits.may_try(host)
    try:
        done = await run_in_threadpool(_accept, resources, body, key)
    except Refused as refusal:
        if refusal.code in ("code_not_valid", "not_valid"):
            limits.tried_in_vain(host)
        raise
    services_of(request).keyring.forget()  # keys of the former owner ended
    return _document(done, key.owner_id, resources.clock()) | {"cautions": shown_cautions("transfer")}


def _accept(resources: Resources, body: Acceptance, key: Key) -> Transfer:
    code_hash = one_time_code.hash_of(read_code(body.code))
    names = Names(machine=body.machine, devices=body.devices)
    return resources.writer.call(lambda c: accept(c, code_hash, key, names, resources.clock()))


def accept(connection: sa.Connection, code_hash: str, key: Key, names: Names, now_us: int) -> Transfer:
    """Accept an offer. Raises Refused, before anything is written."""
    offer = one_time_codes.transfer_by_code(connection, code_hash)
    if offer is None or state_of(offer, now_us) != "open":
        raise Refused("transfer_code_not_valid", status=403, code="code_not_valid")
    machine = fleet.machine_by_id(connection, offer.machine_id)
    if machine is None or machine.owner_id != offer.owner_id:
        raise Refused("transfer_code_not_valid", status=403, code="code_not_valid")
    moved = transfer.hand_over(connection, machine, key.owner_id, names, now_us)
    one_time_codes.set_transfer(
        connection,
        offer.id,
        accepted_us=now_us,
        to_owner_id=key.owner_id,
        accepted_who=key.handle,
        moved=json.dumps(asdict(moved)),
    )
    _note_both(connection, offer, machine.name, moved, key, now_us)
    after = one_time_codes.transfer_by_code(connection, code_hash)
    assert after is not None
    return after


def _note_both(
    connection: sa.Connection, found: Transfer, old_name: str, moved: HandedOver, key: Key, now_us: int
) -> None:
    """Write the transfer into each owner's log, in its own names."""
    given = {"transfer": found.id, "machine": old_name, "devices": sorted(moved.devices)}
    given |= {"from_others": moved.from_others, "keys_ended": moved.keys_ended}
    taken = {"transfer": found.id, "machine": moved.machine, "devices": moved.devices}
    audit.note(connection, found.owner_id, now_us, found.who, "transfer_given", **given)
    audit.note(connection, key.owner_id, now_us, key.handle, "transfer_taken", **taken)


def state_of(found: Transfer, now_us: int) -> str:
    """The state of an offer in a word. Pure."""
    if found.accepted_us is not None:
        return "accepted"
    if found.cancelled_us is not None:
        return "cancelled"
    return "open" if now_us < found.expires_us else "expired"


def _reload(connection: sa.Connection, key: Key, transfer_id: int) -> Transfer:
    offer = one_time_codes.transfer(connection, key.owner_id, transfer_id)
    assert offer is not None
    return offer


def _document(found: Transfer, owner_id: int, now_us: int) -> dict[str, Any]:
    """An offer for one of the two owners, in its own names."""
    given = found.owner_id == owner_id
    moved: dict[str, Any] = json.loads(found.moved or "{}")
    devices: dict[str, str] = moved.get("devices", {})
    return {
        "transfer": found.id,
        "direction": "given" if given else "taken",
        "machine": found.machine if given else moved.get("machine", found.machine),
        "state": state_of(found, now_us),
        "note": found.note,
        "created_at": text(found.created_us),
        "expires_at": text(found.expires_us),
        "accepted_at": text(found.accepted_us),
        "devices": sorted(devices if given else devices.values()),
        "keys_ended": moved.get("keys_ended", []) if given else [],
    }
