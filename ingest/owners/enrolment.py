"""
A device gets its key with a one-time code, and the server checks its quarantined readings again.

Promises: a code gives one key. Whatever is wrong with it (unknown, used, out of date, cancelled, made by a
revoked key) the answer is the same, so guessing reveals nothing. After a lost reply a gateway may ask again
with the same attempt for a while: the first key, which it never saw, ends then. The first use of a code ends
the other open ones of its device for the same housing.
Leaves to others: codes (`ingest.owners.one_time_code`), how often an address may try
(`ingest.owners.quotas`), who may make codes (`ingest.api.routes.enrolment`).
"""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import one_time_code, seating
from cleanside.ingest.owners.access import BOUND_ROLES, NewKey, allows, hash_of, sees_site
from cleanside.ingest.owners.claims import may_claim
from cleanside.ingest.owners.seating import Seated, SeatOrder
from cleanside.ingest.quarantine.replay import reconsider
from cleanside.ingest.store import audit, fleet, keys, one_time_codes, papers, people, quarantine
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.one_time_codes import Enrolment

#: codes of readings that may be believed once a device has a longer history, which either date may say
BY_FLOOR = ("time_before_floor", "clock_unset", "gps_week_rollover")
CLAIMED_AT_ONCE = 10_000  # as many as can be quarantined (intake.MAX_UNKNOWN_HELD)
HOUR_US = 3_600_000_000
ASK_AGAIN_US = HOUR_US  # the technician is still there; chosen
VALID_HOURS = 72  # time for the technician to travel there; chosen
MOST_VALID_HOURS = 24 * 30
COMMAND = "command"  # the maker of a code on the server's command line


@dataclass(frozen=True, slots=True, kw_only=True)
class EnrolmentOrder:
    """A device to enrol with a code."""

    owner_id: int
    #: handle of the key that makes it, or `COMMAND`
    who: str
    device: str
    seat: SeatOrder
    in_service_us: int | None
    note: str
    valid_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Enrolled:
    """The outcome of a code."""

    device: str
    machine: str
    housing: str
    #: quarantined readings of the device that are stored now
    claimed: int
    seated: Seated


def make(
    connection: sa.Connection, code: str, wanted: EnrolmentOrder, now_us: int
) -> tuple[Enrolment, Seated]:
    """
    Make a code for a device and store its hash. Returns it with the seat that it would give now.

    Raises Refused (422) where the seat contradicts itself.
    """
    fleet.lock_owner(connection, wanted.owner_id)  # the name is not free any more
    known_device = fleet.device(connection, wanted.owner_id, wanted.device)
    seated = seating.preview(connection, known_device, wanted.seat, now_us)
    made = one_time_codes.put_enrolment(
        connection,
        {
            "owner_id": wanted.owner_id,
            "code_hash": one_time_code.hash_of(one_time_code.read_code(code)),
            "device": wanted.device,
            "housing_id": wanted.seat.housing_id,
            "assigned_from_us": wanted.seat.from_us,
            "with_history": wanted.seat.with_history,
            "in_service_us": wanted.in_service_us,
            "note": wanted.note,
            "created_us": now_us,
            "who": wanted.who,
            "expires_us": now_us + wanted.valid_us,
        },
    )
    found = one_time_codes.enrolment(connection, wanted.owner_id, made)
    assert found is not None
    about = {"enrolment": made, "device": found.device, "machine": found.machine, "housing": found.housing}
    audit.note(connection, wanted.owner_id, now_us, wanted.who, "enrolment", **about)
    return found, seated


def enrol(
    connection: sa.Connection,
    *,
    code_hash: str,
    device: str | None,
    attempt: str,
    new: NewKey,
    now_us: int,
) -> Enrolled:
    """
    Use a code: register and seat the device, and store the key `new` for it.

    device : in the gateway's settings, None: it does not state it. attempt : a random number of the gateway.
    Raises Refused: 403 `code_not_valid`, 409 `code_for_another_device`.
    """
    enrolment = one_time_codes.enrolment_by_code(connection, code_hash)
    if enrolment is None or not _holds(connection, enrolment, attempt, now_us):
        raise Refused("code_not_valid", status=403)
    if device is not None and device != enrolment.device:
        raise Refused("code_for_another_device", status=409, device=enrolment.device, other=device)
    if enrolment.key_id is not None:
        keys.revoke_id(connection, enrolment.key_id, now_us)
    done = put_in_service(
        connection,
        enrolment.owner_id,
        enrolment.device,
        seat=SeatOrder(
            housing_id=enrolment.housing_id,
            from_us=enrolment.assigned_from_us,
            with_history=enrolment.with_history,
        ),
        in_service_us=enrolment.in_service_us,
        now_us=now_us,
    )
    assert done.seated is not None
    _give_key(connection, enrolment, new, attempt, now_us)
    enrolled = Enrolled(
        device=done.device.name,
        machine=enrolment.machine,
        housing=enrolment.housing,
        claimed=done.claimed,
        seated=done.seated,
    )
    about = {"device": enrolment.device, "enrolment": enrolment.id, "claimed": done.claimed}
    audit.note(connection, enrolment.owner_id, now_us, new.handle, "enrolled", **about)
    if enrolment.used_us is None:
        _end_others(connection, enrolment, new.handle, now_us)
    return enrolled


def _end_others(connection: sa.Connection, used: Enrolment, who: str, now_us: int) -> None:
    for ended in one_time_codes.end_others(connection, used, now_us):
        audit.note(connection, used.owner_id, now_us, who, "enrolment_cancelled", enrolment=ended)


def _holds(connection: sa.Connection, found: Enrolment, attempt: str, now_us: int) -> bool:
    """True if the code may be used now."""
    if found.cancelled_us is not None or not _still_trusted(connection, found, now_us):
        return False
    if found.used_us is None:
        return now_us < found.expires_us
    never_used = found.key_id is not None and not keys.was_used(connection, found.key_id)
    same = bool(attempt) and found.attempt_hash == hash_of(attempt)
    return same and never_used and now_us < found.used_us + ASK_AGAIN_US


def _still_trusted(connection: sa.Connection, found: Enrolment, now_us: int) -> bool:
    """A code is valid only as long as its maker's key is, and may claim the device."""
    if found.who == COMMAND:
        return True
    maker = keys.by_handle(connection, found.who) or _person(connection, found)
    if maker is None or maker.state(now_us) != keys.VALID or maker.owner_id != found.owner_id:
        return False
    if not allows(maker, "enrolments:write"):  # a person may have another role by now
        return False
    if maker.sites and not sees_site(
        maker, _site_of(connection, found)
    ):  # or fewer sites, or the machine went
        return False
    return may_claim(connection, maker, found.device, now_us)


def _site_of(connection: sa.Connection, found: Enrolment) -> str | None:
    """Where the machine of a code is now."""
    machine = fleet.machine(connection, found.owner_id, found.machine)
    return None if machine is None else papers.site_of(connection, machine.id)


def _person(connection: sa.Connection, found: Enrolment) -> Key | None:
    person = people.find(connection, found.owner_id, found.who)
    return None if person is None else person.as_key()


def _give_key(connection: sa.Connection, found: Enrolment, new: NewKey, attempt: str, now_us: int) -> None:
    key_id = keys.create(
        connection,
        handle=new.handle,
        secret_hash=new.secret_hash,
        owner_id=found.owner_id,
        role="device",
        note=found.note or f"enrolled with code {found.id}",
        devices=[found.device],
        now_us=now_us,
    )
    maker = keys.by_handle(connection, found.who)
    if maker is not None and maker.role in BOUND_ROLES:
        keys.bind(connection, maker.id, [found.device])
    one_time_codes.set_enrolment(
        connection, found.id, used_us=found.used_us or now_us, attempt_hash=hash_of(attempt), key_id=key_id
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InService:
    """The outcome of a registration."""

    device: DeviceRow
    #: its quarantined readings that are stored now
    claimed: int
    #: its seat by this request; None: the request named no housing
    seated: Seated | None


def put_in_service(
    connection: sa.Connection,
    owner_id: int,
    name: str,
    *,
    seat: SeatOrder | None,
    in_service_us: int | None,
    now_us: int,
    history_from_us: int | None = None,
) -> InService:
    """
    Register a device, seat it, and check its quarantined readings again. A second call changes nothing.

    They are those of an unknown device, and those whose times a date of this call may allow.

    seat : None: no housing. history_from_us : readings from then on may be true; None: not stated.
    Raises Refused (422) where the seat contradicts itself.
    """
    device = fleet.device(connection, owner_id, name) or fleet.keep_device(connection, owner_id, name)
    seated = None if seat is None else seating.seat(connection, device, seat, now_us)
    fleet.register(connection, device, now_us, in_service_us, history_from_us)
    codes = ["device_unknown"]
    if in_service_us is not None:
        codes.append("time_before_service")
    if in_service_us is not None or history_from_us is not None:
        codes += BY_FLOOR
    entries = [
        entry
        for code in codes
        for entry in quarantine.held_of_device(connection, device.id, code, limit=CLAIMED_AT_ONCE)
    ]
    return InService(device=device, claimed=reconsider(connection, entries, now_us), seated=seated)
