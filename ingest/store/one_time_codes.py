"""One-time codes: enrolments of devices and offers of machines. The table has a hash of each code only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store.models import enrolments, housings, machines, owners, transfers


@dataclass(frozen=True, slots=True)
class Enrolment:
    """A row of `enrolments` with the names of its owner, machine and housing."""

    id: int
    owner_id: int
    owner: str
    device: str
    housing_id: int
    housing: str
    machine: str
    assigned_from_us: int | None
    in_service_us: int | None
    note: str
    created_us: int
    who: str
    expires_us: int
    used_us: int | None
    cancelled_us: int | None
    attempt_hash: str | None
    key_id: int | None
    with_history: bool


_ELSEWHERE = {"owner": owners.c.name, "housing": housings.c.name, "machine": machines.c.name}
_ENROLMENT = sa.select(
    *(_ELSEWHERE[f].label(f) if f in _ELSEWHERE else enrolments.c[f] for f in Enrolment.__slots__)
).select_from(
    enrolments.join(owners)
    .join(housings, housings.c.id == enrolments.c.housing_id)
    .join(machines, machines.c.id == housings.c.machine_id)
)


def put_enrolment(connection: sa.Connection, values: Mapping[str, Any]) -> int:
    """Store a new enrolment. Returns its number."""
    statement = sa.insert(enrolments).values(**values).returning(enrolments.c.id)
    return int(connection.execute(statement).scalar_one())


def enrolment_by_code(connection: sa.Connection, code_hash: str) -> Enrolment | None:
    """The enrolment of a code, in any state; its row is locked until the transaction ends."""
    query = _ENROLMENT.where(enrolments.c.code_hash == code_hash).with_for_update(of=enrolments)
    row = connection.execute(query).first()
    return None if row is None else Enrolment(*row)


def enrolment(connection: sa.Connection, owner_id: int, enrolment_id: int) -> Enrolment | None:
    """One enrolment of this owner."""
    query = _ENROLMENT.where(enrolments.c.owner_id == owner_id, machines.c.owner_id == owner_id)
    query = query.where(enrolments.c.id == enrolment_id)
    row = connection.execute(query).first()
    return None if row is None else Enrolment(*row)


def enrolments_of(
    connection: sa.Connection, owner_id: int, *, who: str | None, before_id: int | None, limit: int
) -> list[Enrolment]:
    """Enrolments of this owner, newest first; `who`: those that this key made, None: all."""
    # Of a machine that was transferred nothing is shown any more.
    mine = enrolments.c.owner_id == owner_id, machines.c.owner_id == owner_id
    query = _ENROLMENT.where(*mine).order_by(enrolments.c.id.desc()).limit(limit)
    if who is not None:
        query = query.where(enrolments.c.who == who)
    if before_id is not None:
        query = query.where(enrolments.c.id < before_id)
    return [Enrolment(*row) for row in connection.execute(query)]


def others_open(connection: sa.Connection, owner_id: int, who: str, device: str, now_us: int) -> bool:
    """True if a key other than `who` made a code for this device that is still valid."""
    query = sa.select(enrolments.c.id).where(
        enrolments.c.owner_id == owner_id,
        enrolments.c.device == device,
        enrolments.c.who != who,
        enrolments.c.used_us.is_(None),
        enrolments.c.cancelled_us.is_(None),
        enrolments.c.expires_us > now_us,
    )
    return connection.execute(query.limit(1)).first() is not None


def pass_on(connection: sa.Connection, owner_id: int, who: str, to: str) -> None:
    """Pass the open codes of one key to another."""
    open_ = enrolments.c.used_us.is_(None), enrolments.c.cancelled_us.is_(None)
    statement = sa.update(enrolments).where(
        enrolments.c.owner_id == owner_id, enrolments.c.who == who, *open_
    )
    connection.execute(statement.values(who=to))


def end_others(connection: sa.Connection, used: Enrolment, now_us: int) -> list[int]:
    """
    End the open codes of a device for the housing on which one was just used. Returns their numbers.

    They were made for a label that was lost, and each would give one more key. A code for another housing
    stays: it is a move that somebody prepared.
    """
    same = (
        enrolments.c.owner_id == used.owner_id,
        enrolments.c.device == used.device,
        enrolments.c.housing_id == used.housing_id,
        enrolments.c.id != used.id,
    )
    open_ = enrolments.c.used_us.is_(None), enrolments.c.cancelled_us.is_(None)
    statement = sa.update(enrolments).where(*same, *open_, enrolments.c.expires_us > now_us)
    ended = connection.scalars(statement.values(cancelled_us=now_us).returning(enrolments.c.id))
    return sorted(ended)


def set_enrolment(connection: sa.Connection, enrolment_id: int, **values: Any) -> None:
    """Write the outcome of an enrolment: used_us, attempt_hash, key_id, cancelled_us."""
    connection.execute(sa.update(enrolments).where(enrolments.c.id == enrolment_id).values(**values))


def cancel_enrolments_on(connection: sa.Connection, machine_id: int, now_us: int) -> None:
    """End open enrolments on a machine that changes owner: a code would give the old owner access."""
    on_machine = sa.select(housings.c.id).where(housings.c.machine_id == machine_id)
    open_ = enrolments.c.used_us.is_(None), enrolments.c.cancelled_us.is_(None)
    statement = sa.update(enrolments).where(enrolments.c.housing_id.in_(on_machine), *open_)
    connection.execute(statement.values(cancelled_us=now_us))


def end_all_open(connection: sa.Connection, now_us: int) -> dict[int, int]:
    """
    End every code that was not used, of all owners. Returns owner -> how many there were.

    Expired codes too, because the clock may have been wrong. The same gateway may show a used code again for
    a while (`attempt_hash`): that ends too.
    """
    again = sa.update(enrolments).where(enrolments.c.used_us.is_not(None)).values(attempt_hash=None)
    connection.execute(again)
    counts: dict[int, int] = {}
    for table, used in ((enrolments, enrolments.c.used_us), (transfers, transfers.c.accepted_us)):
        statement = sa.update(table).where(used.is_(None), table.c.cancelled_us.is_(None))
        statement = statement.values(cancelled_us=now_us)
        for owner_id in connection.scalars(statement.returning(table.c.owner_id)):
            counts[owner_id] = counts.get(owner_id, 0) + 1
    return counts


# ---------------------------------------------------------------- transfers


@dataclass(frozen=True, slots=True)
class Transfer:
    """A row of `transfers`."""

    id: int
    owner_id: int
    machine_id: int
    machine: str
    note: str
    created_us: int
    who: str
    expires_us: int
    cancelled_us: int | None
    accepted_us: int | None
    to_owner_id: int | None
    accepted_who: str | None
    moved: str | None


_TRANSFER = sa.select(*(transfers.c[f] for f in Transfer.__slots__))


def put_transfer(connection: sa.Connection, values: Mapping[str, Any]) -> int:
    """Store a new offer. Returns its number."""
    statement = sa.insert(transfers).values(**values).returning(transfers.c.id)
    return int(connection.execute(statement).scalar_one())


def transfer_by_code(connection: sa.Connection, code_hash: str) -> Transfer | None:
    """The offer of a code, in any state; its row is locked until the transaction ends."""
    query = _TRANSFER.where(transfers.c.code_hash == code_hash).with_for_update()
    row = connection.execute(query).first()
    return None if row is None else Transfer(*row)


def transfer(connection: sa.Connection, owner_id: int, transfer_id: int) -> Transfer | None:
    """One offer that this owner made."""
    query = _TRANSFER.where(transfers.c.owner_id == owner_id, transfers.c.id == transfer_id)
    row = connection.execute(query).first()
    return None if row is None else Transfer(*row)


def transfers_of(
    connection: sa.Connection, owner_id: int, *, before_id: int | None, limit: int
) -> list[Transfer]:
    """Offers that this owner made or accepted, newest first."""
    mine = sa.or_(transfers.c.owner_id == owner_id, transfers.c.to_owner_id == owner_id)
    query = _TRANSFER.where(mine).order_by(transfers.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(transfers.c.id < before_id)
    return [Transfer(*row) for row in connection.execute(query)]


def set_transfer(connection: sa.Connection, transfer_id: int, **values: Any) -> None:
    """Write the outcome of an offer."""
    connection.execute(sa.update(transfers).where(transfers.c.id == transfer_id).values(**values))


def cancel_transfers_of(connection: sa.Connection, machine_id: int, now_us: int) -> None:
    """End every open offer of a machine, which has one at a time."""
    open_ = transfers.c.accepted_us.is_(None), transfers.c.cancelled_us.is_(None)
    statement = sa.update(transfers).where(transfers.c.machine_id == machine_id, *open_)
    connection.execute(statement.values(cancelled_us=now_us))
