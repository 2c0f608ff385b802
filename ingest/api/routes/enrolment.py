"""Enrolment: make, list and cancel a one-time code for a device; its gateway uses it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import takewhile
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.described_codes import (
    EnrolledAnswer,
    EnrolmentMade,
    EnrolmentsAnswer,
    EnrolmentShown,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing, refuse_if_asked
from cleanside.ingest.api.routes.paging import P, page_answer
from cleanside.ingest.api.routes.seats import STARTS, WITH_HISTORY, cautions_of, order_of, span_document
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import (
    At,
    ConfirmedBecause,
    Name,
    NewName,
    R,
    Strict,
    Words,
    needs,
    open_to_all,
    problems,
    router_of,
    shown,
    text,
    us,
)
from cleanside.ingest.errors import Complaint, NotACode, NotFound, NotValid, Refused
from cleanside.ingest.owners import access, asked_first, enrolment, one_time_code
from cleanside.ingest.owners.access import BOUND_ROLES, NewKey
from cleanside.ingest.owners.claims import require_claim
from cleanside.ingest.owners.enrolment import HOUR_US, MOST_VALID_HOURS, VALID_HOURS, Enrolled
from cleanside.ingest.owners.reach import sees_machine
from cleanside.ingest.owners.seating import Seated
from cleanside.ingest.store import audit, fleet, one_time_codes
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.one_time_codes import Enrolment
from cleanside.ingest.writer.resources import Resources

router = router_of("enrolment")

CODES_A_PIECE = 200  # read at once


Enroller = Annotated[Key, Depends(needs("enrolments:write"))]


class NewEnrolment(Strict):
    """A device to enrol on a machine."""

    device: NewName = Field(examples=["grader-07-intake"])
    machine: Name
    housing: Name = DEFAULT_HOUSING
    assigned_from: At | None = Field(None, description=STARTS.replace("now", "when the code is used"))
    with_history: bool = Field(False, description=WITH_HISTORY)
    in_service_at: At | None = Field(
        None, description="earlier readings are quarantined: time_before_service"
    )
    valid_hours: int = Field(VALID_HOURS, ge=1, le=MOST_VALID_HOURS)
    note: Words = Field("", max_length=200, examples=["for the technician at the gravel plateau"])
    confirmed_because: ConfirmedBecause = ""


class CodeShown(Strict):
    """A gateway shows its code."""

    code: str = Field(max_length=64, examples=["K7M3A-9QTWX-2BDFT"])
    device: Name | None = Field(None, description="what the gateway takes itself for; another is refused")
    attempt: str = Field(
        "",
        max_length=64,
        pattern="^[!-~]*$",
        description="random, chosen by the gateway; with it a lost reply can be asked for again",
    )


@router.post(
    "/v1/enrolments",
    status_code=201,
    summary="Make a one-time code for a device",
    response_model=EnrolmentMade,
    responses=problems(404, 409),
)
@example({"device": "{device}", "machine": "{machine}", "housing": "{housing}"})
def post_enrolment(body: NewEnrolment, resources: R, key: Enroller) -> dict[str, Any]:
    """
    Make a code with which a gateway gets the key of one device. The answer shows it once.

    A new name that is there already but for its capital letters is asked about (422): use the other, or say
    by `confirmed_because` why it is meant.
    """
    code = one_time_code.new_code()

    def save(connection: sa.Connection) -> tuple[Enrolment, Seated]:
        now_us = resources.clock()
        housing = find_housing(connection, key, body.machine, body.housing)
        require_claim(connection, key, body.device, now_us)
        asked = asked_first.too_far_ahead("in_service_at", us(body.in_service_at), now_us)
        if not body.confirmed_because:
            asked += asked_first.of_device_name(connection, key, body.device)
        refuse_if_asked(asked)
        return enrolment.make(
            connection,
            code,
            enrolment.EnrolmentOrder(
                owner_id=key.owner_id,
                who=key.handle,
                device=body.device,
                seat=order_of(body, housing),
                in_service_us=us(body.in_service_at),
                note=body.note,
                valid_us=body.valid_hours * HOUR_US,
            ),
            now_us,
        )

    made, seated = resources.writer.call(save)
    return _document(made, resources.clock()) | {
        "code": code,
        "if_used_now": span_document(seated),
        "cautions": cautions_of(seated),
    }


@router.get("/v1/enrolments", summary="Codes for devices", responses=shown(EnrolmentsAnswer, tagged=True))
def get_enrolments(request: Request, resources: R, key: Enroller, page: P) -> Response:
    """Enrolments, newest first, without the codes; an integrator, or who is for some sites, sees its own."""
    after = page.after(int)
    with resources.reading() as connection:
        rows = _seen(connection, key, None if after is None else after[0])
        kept, cursor = page.cut(rows, lambda e: (e.id,))
    now_us = resources.clock()
    return page_answer(request, "enrolments", [_document(e, now_us) for e in kept], cursor)


def open_enrolments(resources: Resources, key: Key) -> list[dict[str, Any]]:
    """The codes that a gateway may still use, newest first; none is older than the longest that one lives."""
    now_us = resources.clock()
    oldest_us = now_us - MOST_VALID_HOURS * HOUR_US
    with resources.reading() as connection:
        lately = takewhile(lambda e: e.created_us >= oldest_us, _seen(connection, key, None))
        documents = [_document(found, now_us) for found in lately]
    return [document for document in documents if document["state"] == "open"]


@router.delete(
    "/v1/enrolments/{enrolment}",
    summary="Cancel a code",
    response_model=EnrolmentShown,
    responses=problems(404),
)
def delete_enrolment(
    enrolment: Annotated[int, Path(ge=1, le=2**53)], resources: R, key: Enroller
) -> dict[str, Any]:
    """Cancel a code. One that was used stays used: revoke its key."""

    def save(connection: sa.Connection) -> Enrolment:
        now_us = resources.clock()
        found = one_time_codes.enrolment(connection, key.owner_id, enrolment)
        if found is None or not _sees(connection, key, found):
            raise NotFound("enrolment", str(enrolment))
        if found.used_us is None and found.cancelled_us is None:
            one_time_codes.set_enrolment(connection, found.id, cancelled_us=now_us)
        audit.note(connection, key.owner_id, now_us, key.handle, "enrolment_cancelled", enrolment=enrolment)
        after = one_time_codes.enrolment(connection, key.owner_id, enrolment)
        assert after is not None
        return after

    return _document(resources.writer.call(save), resources.clock())


def _seen(connection: sa.Connection, key: Key, before_id: int | None) -> Iterator[Enrolment]:
    """The codes that a key may see, newest first, read in pieces."""
    who = key.handle if key.role in BOUND_ROLES or key.sites else None
    while True:
        piece = one_time_codes.enrolments_of(
            connection, key.owner_id, who=who, before_id=before_id, limit=CODES_A_PIECE
        )
        yield from (found for found in piece if _sees(connection, key, found))
        if len(piece) < CODES_A_PIECE:
            return
        before_id = piece[-1].id


def _sees(connection: sa.Connection, key: Key, found: Enrolment) -> bool:
    """True for a code that a key may see: who is for some sites, of their own those for machines there."""
    if key.role in BOUND_ROLES and found.who != key.handle:
        return False
    if not key.sites:
        return True
    machine = fleet.machine(connection, key.owner_id, found.machine)
    return found.who == key.handle and machine is not None and sees_machine(connection, key, machine)


def state_of(*, used_us: int | None, cancelled_us: int | None, expires_us: int, now_us: int) -> str:
    """The state of a code in a word. Pure."""
    if used_us is not None:
        return "used"
    if cancelled_us is not None:
        return "cancelled"
    return "open" if now_us < expires_us else "expired"


def _document(found: Enrolment, now_us: int) -> dict[str, Any]:
    state = state_of(
        used_us=found.used_us, cancelled_us=found.cancelled_us, expires_us=found.expires_us, now_us=now_us
    )
    return {
        "enrolment": found.id,
        "device": found.device,
        "machine": found.machine,
        "housing": found.housing,
        "state": state,
        "note": found.note,
        "who": found.who,
        "created_at": text(found.created_us),
        "expires_at": text(found.expires_us),
        "used_at": text(found.used_us),
    }


# ---------------------------------------------------------------- the gateway's side, without a key

ENROL_PATH = "/v1/enrol"
MAX_ENROL_BYTES = 4_096  # bytes of a request without a key; a code, a name and an attempt take 200


@router.post(
    ENROL_PATH,
    status_code=201,
    summary="Use a one-time code: get the key of a device",
    response_model=EnrolledAnswer,
    responses=problems(403, 409),
)
@open_to_all
@example({"code": "00000-00000-00000"})
async def post_enrol(body: CodeShown, request: Request, resources: R) -> dict[str, Any]:
    """
    Send the code, get the device's key, once; no key is needed. Quarantined readings of the device are
    checked.

    Every code that is not valid gets the same answer. Tries are limited by address. A body has at most
    4096 bytes.
    """
    limits, host = services_of(request).limits, host_of(request)
    limits.may_try(host)
    new = access.new_key()
    try:
        done = await run_in_threadpool(_enrol, resources, body, new)
    except Refused:
        limits.tried_in_vain(host)
        raise
    services_of(request).keyring.forget()  # an integrator may be bound to it now
    return {
        "key": new.token,
        "handle": new.handle,
        "device": done.device,
        "machine": done.machine,
        "housing": done.housing,
        "claimed": done.claimed,
        "assigned": span_document(done.seated),
        "cautions": cautions_of(done.seated),
    }


def _enrol(resources: Resources, body: CodeShown, new: NewKey) -> Enrolled:
    code_hash = one_time_code.hash_of(read_code(body.code))
    return resources.writer.call(
        lambda connection: enrolment.enrol(
            connection,
            code_hash=code_hash,
            device=body.device,
            attempt=body.attempt,
            new=new,
            now_us=resources.clock(),
        )
    )


def read_code(typed: str) -> str:
    """A code as typed. Raises Refused (422) where it cannot be one; the answer never repeats it."""
    try:
        return one_time_code.read_code(typed)
    except NotACode as error:
        raise NotValid(Complaint.of("#/code", error)) from None
