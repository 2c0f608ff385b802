"""People's entries about elements: changed, cleaned, inspected; or that a found change was none."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import element_changes, housings, machines

#: kinds of lines of the audit log about an entry that does not stand as it was made
CORRECTED, TAKEN_BACK = "element_change_corrected", "element_change_taken_back"
TAKEN_BACK_AT_MACHINE = "entry_taken_back_at_machine"


class EnteredChange(NamedTuple):
    """An entry of a person about an element."""

    changed_us: int
    entered_us: int
    who: str
    note: str
    entry_id: str  # made by the client that sent it; a resend is the same entry
    what: str = "new"  # new, cleaned, inspected, safety_element, or nothing (denies a change that was found)
    confirmed_because: str | None = None  # why it holds although readings contradict it; None: not confirmed
    at_device: str | None = None  # entered at that device, by the code on its label; None: at the shop
    by_name: str | None = None  # as it was written there
    part: str | None = None  # part number of what went in; None: not entered
    confirmed_us: int | None = None  # confirmed or corrected; None: neither, as far as is known

    @property
    def known_us(self) -> int:
        """Since when it stands as it does: made, corrected or confirmed."""
        return max(self.entered_us, self.confirmed_us or 0)


class EntriesMade(NamedTuple):
    """How many entries a housing has, and when one was made, corrected or confirmed last."""

    many: int = 0
    newest_us: int = 0


def entries_of_owner(connection: sa.Connection, owner_id: int) -> dict[int, EntriesMade]:
    """Housing id -> its entries, of all housings of an owner that have any."""
    row = element_changes.c
    known_us = sa.func.coalesce(row.confirmed_us, row.entered_us)
    query = sa.select(row.housing_id, sa.func.count(), sa.func.max(known_us))
    query = query.join_from(element_changes, housings).join(machines)
    query = query.where(machines.c.owner_id == owner_id).group_by(row.housing_id)
    return {housing_id: EntriesMade(many, newest) for housing_id, many, newest in connection.execute(query)}


def put_change(connection: sa.Connection, housing_id: int, change: EnteredChange) -> EnteredChange | None:
    """Enter an element change; an existing one with this id stays, and is returned."""
    by_id = {before.entry_id: before for before in changes_of(connection, housing_id)}
    if change.entry_id in by_id:
        return by_id[change.entry_id]
    statement = dialect.insert(connection, element_changes).values(housing_id=housing_id, **change._asdict())
    entered = statement.on_conflict_do_nothing().returning(element_changes.c.changed_us)
    if connection.execute(entered).first() is not None:
        return None
    return next(c for c in changes_of(connection, housing_id) if c.entry_id == change.entry_id)


def take_over(connection: sa.Connection, housing_id: int, change: EnteredChange) -> None:
    """A person at the shop enters what was entered at the machine under the same id: their word counts."""
    update = sa.update(element_changes).where(_is_change(housing_id, change))
    connection.execute(update.values(**change._asdict()))


def confirm_change(
    connection: sa.Connection, housing_id: int, change: EnteredChange, because: str, now_us: int
) -> None:
    """Note that a person confirms an entry that the readings contradict."""
    confirm = sa.update(element_changes).where(_is_change(housing_id, change))
    connection.execute(confirm.values(confirmed_because=because, confirmed_us=now_us))


def take_change_back(connection: sa.Connection, housing_id: int, change: EnteredChange) -> None:
    """Remove an entry."""
    connection.execute(sa.delete(element_changes).where(_is_change(housing_id, change)))


def changes_of(connection: sa.Connection, housing_id: int) -> list[EnteredChange]:
    """The entries of a housing's elements, in time order."""
    query = sa.select(*(element_changes.c[f] for f in EnteredChange._fields))
    query = query.where(element_changes.c.housing_id == housing_id)
    query = query.order_by(element_changes.c.changed_us, element_changes.c.id)
    return [entered_change(*row) for row in connection.execute(query)]


def parts_of_owner(connection: sa.Connection, owner_id: int) -> dict[tuple[int, str], str]:
    """Housing and entry -> the part number of what went in, where one was entered."""
    row = element_changes.c
    query = sa.select(row.housing_id, row.entry_id, row.changed_us, row.what, row.part)
    query = query.join_from(element_changes, housings).join(machines)
    query = query.where(machines.c.owner_id == owner_id, row.part.is_not(None))
    return {
        (found.housing_id, found.entry_id or made_entry_id(found.changed_us, found.what)): found.part
        for found in connection.execute(query)
    }


def entered_change(
    changed_us: int,
    entered_us: int,
    who: str,
    note: str,
    entry_id: str | None,
    what: str,
    because: str | None,
    at_device: str | None,
    by_name: str | None,
    part: str | None,
    confirmed_us: int | None,
) -> EnteredChange:
    """A row as an entry; one without an id gets the made one."""
    made = entry_id or made_entry_id(changed_us, what)
    place = (at_device, by_name, part, confirmed_us)
    return EnteredChange(changed_us, entered_us, who, note, made, what, because, *place)


def made_entry_id(changed_us: int, what: str) -> str:
    """The id of an entry without one: the same work at the same instant is the same entry."""
    return f"{what}-{changed_us}"


def _is_change(housing_id: int, change: EnteredChange) -> sa.ColumnElement[bool]:
    row = element_changes.c
    unnamed = row.entry_id.is_(None) & (row.changed_us == change.changed_us) & (row.what == change.what)
    return (row.housing_id == housing_id) & ((row.entry_id == change.entry_id) | unnamed)
