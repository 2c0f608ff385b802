"""Machines, housings and terminal restriction, devices and their seats."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect, hours
from cleanside.ingest.store.models import (
    assignments,
    devices,
    housings,
    machines,
    owners,
    terminals,
)
from cleanside.ingest.store.round_trips import Statement, text_array


class DeviceRow(NamedTuple):
    """A row of `devices`."""

    id: int
    owner_id: int
    name: str
    #: None: not registered, its readings are quarantined
    registered_us: int | None
    in_service_us: int | None
    #: readings from this instant on may be true, though it was registered later; None: not set
    history_from_us: int | None
    #: since when it is out of use; None: it is in use. Its readings are stored either way
    retired_us: int | None = None


class MachineRow(NamedTuple):
    """A row of `machines`."""

    id: int
    owner_id: int
    name: str
    kind: str
    #: what people call it; None: its name
    display_name: str | None
    #: since when it is out of use; None: it is in use
    retired_us: int | None


class HousingRow(NamedTuple):
    """A housing with the machine it belongs to."""

    id: int
    machine_id: int
    name: str
    revision: int
    owner_id: int
    machine: str
    kind: str
    #: the flow at which terminal restriction is stated, as entered; None: learned
    reference_quantity: str | None
    reference_value: float | None
    reference_unit: str | None
    #: of its machine; None: people call it by its name
    display_name: str | None


class TerminalRow(NamedTuple):
    """Terminal restriction of a housing, as read, from an instant on."""

    valid_from_us: int
    value: float
    unit: str
    restriction_pa: float


class Assignment(NamedTuple):
    """A device on a housing for a span; None is open."""

    id: int
    device_id: int
    device: str
    housing_id: int
    housing: str
    machine: str
    from_us: int | None
    until_us: int | None


# ---------------------------------------------------------------- owners


def owner_id(connection: sa.Connection, name: str) -> int | None:
    """The id of an owner by name."""
    return connection.scalar(sa.select(owners.c.id).where(owners.c.name == name))


def every_owner(connection: sa.Connection) -> list[int]:
    """The ids of all owners."""
    return list(connection.scalars(sa.select(owners.c.id).order_by(owners.c.id)))


def owner_names(connection: sa.Connection) -> list[str]:
    """The names of all owners, in order."""
    return list(connection.scalars(sa.select(owners.c.name).order_by(owners.c.name)))


def keep_owner(connection: sa.Connection, name: str, now_us: int) -> int:
    """The id of an owner, made now if there is none of that name."""
    statement = dialect.insert(connection, owners).values(name=name, created_us=now_us)
    connection.execute(statement.on_conflict_do_nothing())
    number = owner_id(connection, name)
    assert number is not None
    return number


def lock_owner(connection: sa.Connection, owner: int) -> None:
    """Lock an owner's keys and names until this transaction ends."""
    # FOR NO KEY UPDATE: other transactions may write rows that refer to the owner. SQLite has one writer
    # anyway.
    connection.execute(sa.select(owners.c.id).where(owners.c.id == owner).with_for_update(key_share=True))


# ---------------------------------------------------------------- devices

_DEVICE = sa.select(*(devices.c[f] for f in DeviceRow._fields))
_DEVICE_SQL = f"SELECT {', '.join(DeviceRow._fields)} FROM devices WHERE owner_id = ?"
_DEVICE_BY_NAME = _DEVICE.where(
    devices.c.owner_id == sa.bindparam("owner_id"), devices.c.name == sa.bindparam("name")
)


def device(connection: sa.Connection, owner: int, name: str, *, lock: bool = False) -> DeviceRow | None:
    """
    A device of this owner by name, registered or not.

    lock : no other owner gets it until this transaction ends; others may still write rows that refer to it.
    """
    query = _DEVICE_BY_NAME.with_for_update(read=True, key_share=True) if lock else _DEVICE_BY_NAME
    row = connection.execute(query, {"owner_id": owner, "name": name}).first()
    return None if row is None else DeviceRow(*row)


def asked(connection: sa.Connection, owner: int, names: Sequence[str]) -> Statement:
    """What asks for an owner's devices of these names and locks them, for `round_trips.ask`."""
    if dialect.is_sqlite(connection):
        listed = dialect.padded(names)
        return f"{_DEVICE_SQL} AND name IN ({dialect.marks(listed)})", (owner, *listed)
    return f"{_DEVICE_SQL} AND name = ANY(?) ORDER BY id FOR KEY SHARE", (owner, text_array(names))


def devices_of(connection: sa.Connection, owner: int, *, after: str | None = None) -> list[DeviceRow]:
    """The devices of an owner in order of name, all or those after a name."""
    query = _DEVICE.where(devices.c.owner_id == owner).order_by(devices.c.name)
    if after is not None:
        query = query.where(devices.c.name > after)
    return [DeviceRow(*row) for row in connection.execute(query)]


def keep_device(connection: sa.Connection, owner: int, name: str) -> DeviceRow:
    """A device of this owner; an unregistered one is made now, so that its readings can be quarantined."""
    statement = dialect.insert(connection, devices).values(owner_id=owner, name=name)
    connection.execute(statement.on_conflict_do_nothing())
    row = device(connection, owner, name)
    assert row is not None
    return row


def register(
    connection: sa.Connection,
    known: DeviceRow,
    now_us: int,
    in_service_us: int | None,
    history_from_us: int | None = None,
) -> None:
    """
    Register a device, or set the start of its service or of its history; None: it stays as it is.

    One that was retired is in use again.
    """
    values = {"registered_us": known.registered_us or now_us, "retired_us": None}
    if in_service_us is not None:
        values["in_service_us"] = in_service_us
    if history_from_us is not None:
        values["history_from_us"] = history_from_us
    connection.execute(sa.update(devices).where(devices.c.id == known.id).values(values))


def retire(connection: sa.Connection, known: DeviceRow, retired_us: int | None) -> DeviceRow:
    """Take a device out of use, or into use again; its readings stay, and late ones are stored."""
    connection.execute(sa.update(devices).where(devices.c.id == known.id).values(retired_us=retired_us))
    return known._replace(retired_us=retired_us)


def lock_devices(connection: sa.Connection, device_ids: Iterable[int]) -> None:
    """Lock the seats of devices until this transaction ends."""
    ordered = sa.select(devices.c.id).where(devices.c.id.in_(sorted(device_ids))).order_by(devices.c.id)
    connection.execute(ordered.with_for_update(key_share=True))  # in one order: no two wait in a circle


# ---------------------------------------------------------------- machines and housings

_MACHINE = sa.select(*(machines.c[f] for f in MachineRow._fields))
_HOUSING: sa.Select[Any] = sa.select(
    housings.c.id,
    housings.c.machine_id,
    housings.c.name,
    housings.c.revision,
    machines.c.owner_id,
    machines.c.name,
    machines.c.kind,
    housings.c.reference_quantity,
    housings.c.reference_value,
    housings.c.reference_unit,
    machines.c.display_name,
).join_from(housings, machines)
# Built once, because every view of a fleet runs it.
_OF_OWNER = _HOUSING.where(machines.c.owner_id == sa.bindparam("owner")).order_by(
    machines.c.name, housings.c.name
)
_IN_USE = _OF_OWNER.where(machines.c.retired_us.is_(None))


def machine(connection: sa.Connection, owner: int, name: str) -> MachineRow | None:
    """A machine of this owner by name."""
    row = connection.execute(_MACHINE.where(machines.c.owner_id == owner, machines.c.name == name)).first()
    return None if row is None else MachineRow(*row)


def machine_by_id(connection: sa.Connection, machine_id: int) -> MachineRow | None:
    """A machine of any owner: for machines that an owner has transferred."""
    row = connection.execute(_MACHINE.where(machines.c.id == machine_id)).first()
    return None if row is None else MachineRow(*row)


def machines_of(connection: sa.Connection, owner: int, *, after: str | None = None) -> list[MachineRow]:
    """The machines of an owner in order of name, all or those after a name."""
    query = _MACHINE.where(machines.c.owner_id == owner).order_by(machines.c.name)
    if after is not None:
        query = query.where(machines.c.name > after)
    return [MachineRow(*row) for row in connection.execute(query)]


def keep_machine(connection: sa.Connection, owner: int, name: str, kind: str, now_us: int) -> MachineRow:
    """A machine of this owner, made now if there is none of that name; its kind is set if given."""
    values = {"owner_id": owner, "name": name, "kind": kind, "created_us": now_us}
    connection.execute(dialect.insert(connection, machines).values(values).on_conflict_do_nothing())
    row = machine(connection, owner, name)
    assert row is not None
    if kind and kind != row.kind:
        connection.execute(sa.update(machines).where(machines.c.id == row.id).values(kind=kind))
        row = row._replace(kind=kind)
    return row


def edit_machine(connection: sa.Connection, known: MachineRow, **changes: Any) -> MachineRow:
    """Change columns of `MachineRow`. Its housings count as changed: answers have the machine's name."""
    if changes:
        connection.execute(sa.update(machines).where(machines.c.id == known.id).values(**changes))
        of_machine = housings.c.machine_id == known.id
        connection.execute(sa.update(housings).where(of_machine).values(revision=housings.c.revision + 1))
    return known._replace(**changes)


def housings_of(connection: sa.Connection, machine_id: int) -> list[HousingRow]:
    """The housings of a machine by name."""
    query = _HOUSING.where(housings.c.machine_id == machine_id).order_by(housings.c.name)
    return [HousingRow(*row) for row in connection.execute(query)]


def revision_of(connection: sa.Connection, housing_id: int) -> int:
    """The revision of a housing, which counts the writes to its summaries."""
    sql = "SELECT revision FROM housings WHERE id = ?"
    return int(dialect.run(connection, sql, (housing_id,)).scalar() or 0)


def every_housing(connection: sa.Connection, owner: int) -> list[HousingRow]:
    """All housings of an owner, by machine and name."""
    return [HousingRow(*row) for row in connection.execute(_OF_OWNER, {"owner": owner})]


def housings_in_use(connection: sa.Connection, owner: int) -> list[HousingRow]:
    """The housings of an owner without those of retired machines, by machine and name."""
    return [HousingRow(*row) for row in connection.execute(_IN_USE, {"owner": owner})]


def keep_housing(connection: sa.Connection, of_machine: MachineRow, name: str) -> HousingRow:
    """A housing of a machine, made now if there is none of that name."""
    statement = dialect.insert(connection, housings).values(machine_id=of_machine.id, name=name)
    connection.execute(statement.on_conflict_do_nothing())
    return next(h for h in housings_of(connection, of_machine.id) if h.name == name)


def put_reference(connection: sa.Connection, housing_id: int, quantity: str, value: float, unit: str) -> None:
    """Set the flow at which the terminal restriction of a housing is stated."""
    values = {"reference_quantity": quantity, "reference_value": value, "reference_unit": unit}
    connection.execute(sa.update(housings).where(housings.c.id == housing_id).values(values))


def put_terminal(connection: sa.Connection, housing_id: int, terminal: TerminalRow) -> None:
    """Set the terminal restriction of a housing from an instant on."""
    values = terminal._asdict()
    statement = dialect.insert(connection, terminals).values(housing_id=housing_id, **values)
    connection.execute(
        statement.on_conflict_do_update(index_elements=["housing_id", "valid_from_us"], set_=values)
    )


def delete_terminal(connection: sa.Connection, housing_id: int, valid_from_us: int) -> None:
    """Take away the terminal restriction of a housing from an instant on; an earlier one holds again."""
    here = (terminals.c.housing_id == housing_id) & (terminals.c.valid_from_us == valid_from_us)
    connection.execute(sa.delete(terminals).where(here))


def terminals_of(connection: sa.Connection, housing_id: int) -> list[TerminalRow]:
    """Every terminal restriction of a housing, in order of validity."""
    query = sa.select(*(terminals.c[f] for f in TerminalRow._fields))
    query = query.where(terminals.c.housing_id == housing_id).order_by(terminals.c.valid_from_us)
    return [TerminalRow(*row) for row in connection.execute(query)]


def terminals_of_owner(connection: sa.Connection, owner: int) -> dict[int, list[TerminalRow]]:
    """Housing id -> every terminal restriction of it, in order of validity."""
    query = sa.select(terminals.c.housing_id, *(terminals.c[f] for f in TerminalRow._fields))
    query = query.select_from(terminals.join(housings).join(machines)).where(machines.c.owner_id == owner)
    found: dict[int, list[TerminalRow]] = {}
    for housing_id, *row in connection.execute(query.order_by(terminals.c.valid_from_us)):
        found.setdefault(housing_id, []).append(TerminalRow(*row))
    return found


# ---------------------------------------------------------------- assignments

_ASSIGNMENT = (
    sa.select(
        assignments.c.id,
        assignments.c.device_id,
        devices.c.name,
        assignments.c.housing_id,
        housings.c.name,
        machines.c.name,
        assignments.c.from_us,
        assignments.c.until_us,
    )
    .select_from(assignments.join(devices).join(housings).join(machines))
    .order_by(assignments.c.id)
)
# Built once, because each pass of the analysis runs it.
_OF_HOUSING = _ASSIGNMENT.where(assignments.c.housing_id == sa.bindparam("housing"))


def assignments_of_device(connection: sa.Connection, device_id: int) -> list[Assignment]:
    """The seats of a device, past and present, in order of entry."""
    rows = connection.execute(_ASSIGNMENT.where(assignments.c.device_id == device_id))
    return [Assignment(*row) for row in rows]


def assignments_of_housing(connection: sa.Connection, housing_id: int) -> list[Assignment]:
    """The seats of devices on a housing, past and present, in order of entry."""
    rows = connection.execute(_OF_HOUSING, {"housing": housing_id})
    return [Assignment(*row) for row in rows]


def machines_with_monitor(connection: sa.Connection, owner_id: int) -> set[str]:
    """Names of the machines of an owner that a device sits on."""
    query = sa.select(machines.c.name).select_from(assignments.join(housings).join(machines))
    here = (machines.c.owner_id == owner_id, assignments.c.until_us.is_(None))
    return set(connection.execute(query.where(*here)).scalars())


def assign(
    connection: sa.Connection,
    device_id: int,
    housing_id: int,
    from_us: int | None,
    until_us: int | None,
    who: str | None = None,
) -> None:
    """
    Assign a device to a housing for a span; its other assignments in that span end or are cut.

    who : handle of whoever does; it stands at what ends. None: not known.

    An earlier seat on the same housing that overlaps the span ends with it; readings after it have no
    housing. The hours in the span and in the cut parts are analysed again, because readings follow the time
    of measurement.
    """
    seats = assignments_of_device(connection, device_id)
    ended = met_on(seats, housing_id, from_us, until_us)
    for old in seats:
        if old in ended:
            _cut_off(connection, old, from_us, who)
        elif old.housing_id != housing_id:
            _cut(connection, old, from_us, until_us, who)
    values = {"device_id": device_id, "housing_id": housing_id, "from_us": from_us, "until_us": until_us}
    ended_by = None if until_us is None else who
    connection.execute(sa.insert(assignments).values(until_by=ended_by, **values))
    ends = [until_us, *(old.until_us for old in ended)]
    ends_given = [end for end in ends if end is not None]
    hours.touch_again(
        connection, device_id, from_us, max(ends_given) if len(ends_given) == len(ends) else None
    )


def met_on(
    seats: Sequence[Assignment], housing_id: int, from_us: int | None, until_us: int | None
) -> list[Assignment]:
    """Seats on a housing that a span overlaps, and those that continue them without a pause. Pure."""
    seats_met: list[Assignment] = []
    reach = until_us
    for old in sorted(seats, key=lambda s: (s.from_us is not None, s.from_us or 0)):
        goes_on = bool(seats_met) and old.from_us is not None and old.from_us == reach
        if old.housing_id == housing_id and (_meet(old, from_us, until_us) or goes_on):
            seats_met.append(old)
            reach = old.until_us
    return seats_met


def _meet(old: Assignment, from_us: int | None, until_us: int | None) -> bool:
    starts_later = until_us is not None and old.from_us is not None and old.from_us >= until_us
    ended_before = from_us is not None and old.until_us is not None and old.until_us <= from_us
    return not (starts_later or ended_before)


def _cut_off(connection: sa.Connection, old: Assignment, from_us: int | None, who: str | None) -> None:
    """Of an older assignment to the same housing only the part before the span stays."""
    condition = assignments.c.id == old.id
    if from_us is not None and (old.from_us is None or old.from_us < from_us):
        connection.execute(sa.update(assignments).where(condition).values(until_us=from_us, until_by=who))
    else:
        connection.execute(sa.delete(assignments).where(condition))


def _cut(
    connection: sa.Connection, old: Assignment, from_us: int | None, until_us: int | None, who: str | None
) -> None:
    """Cut the span out of an older assignment: the parts before and after it stay."""
    if not _meet(old, from_us, until_us):
        return
    left: list[tuple[int | None, int | None]] = []
    if from_us is not None and (old.from_us is None or old.from_us < from_us):
        left.append((old.from_us, from_us))
    if until_us is not None and (old.until_us is None or old.until_us > until_us):
        left.append((until_us, old.until_us))
    # One that is cut whole stays as an empty span: the summaries of its housing still have to change.
    nothing: tuple[int | None, int | None] = (old.from_us or 0, old.from_us or 0)
    kept, *further = left or [nothing]
    statement = sa.update(assignments).where(assignments.c.id == old.id)
    ended_by = {} if kept[1] == old.until_us else {"until_by": who}
    connection.execute(statement.values(from_us=kept[0], until_us=kept[1], **ended_by))
    for start_us, end_us in further:
        values = {"device_id": old.device_id, "housing_id": old.housing_id}
        connection.execute(sa.insert(assignments).values(from_us=start_us, until_us=end_us, **values))


def housings_ever(connection: sa.Connection, device_id: int) -> list[int]:
    """Housings whose summaries may depend on this device: all that it is or was assigned to."""
    sql = "SELECT DISTINCT housing_id FROM assignments WHERE device_id = ?"
    return sorted(dialect.run(connection, sql, (device_id,)).scalars())
