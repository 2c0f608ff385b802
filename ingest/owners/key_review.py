"""
Keys, people and codes at a start and after a restore: what was revoked or used up stays so.

Promises: a key or person in the file of revoked keys is revoked in the database. After a restore all
sessions and links of invitations are over, and no code is open, since it may have been used after the
backup. Where the file is missing, or cannot have every revocation since the backup, all keys and people that
were valid then are listed for a person and suspended until the person confirms them. Only device keys stay
active, so that no reading is lost and no machine has to be visited. The audit log has all of it.
Leaves to others: the file (`ingest.store.revocations`), putting a backup in place (`ingest.keeping.backup`).
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import TryAgain, why
from cleanside.ingest.owners import people as people_rules
from cleanside.ingest.store import (
    audit,
    durability,
    fleet,
    keys,
    one_time_codes,
    people,
    revocations,
    sessions,
)
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import Person
from cleanside.ingest.store.revocations import FILE, Revoked

log = logging.getLogger("cleanside.ingest")

START, RESTORE = "start", "restore"  # the author in the audit log


@dataclass(frozen=True, slots=True)
class RevocationsDoubt:
    """Why the file of revoked keys may lack a revocation that was made after the backup."""

    code: str
    values: Mapping[str, Any]

    def __str__(self) -> str:
        return audit.revocations_sentence(self.code, self.values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """The outcome of a restore for keys and codes."""

    #: keys that the file of revoked keys ended
    ended: Sequence[Key]
    #: why that file may lack a revocation; None: it has them all
    doubt: RevocationsDoubt | None
    #: where it may lack one: every key that was valid at the time of the backup
    valid: Sequence[Key]
    #: every revoked key: handle -> since when [us]
    revoked: Mapping[str, int]
    codes: int
    #: people that the file of revoked keys ended
    people_ended: Sequence[Person]
    #: where there is a doubt: people who wait to be confirmed
    people_waiting: Sequence[Person]
    #: people who had not come in when the backup was made: their links are over
    people_invited: Sequence[Person] = ()

    @property
    def suspended(self) -> list[Key]:
        """The keys that wait for a person."""
        return [key for key in self.valid if waits(key)]


def waits(key: Key) -> bool:
    """True for a key that a person has to confirm after a restore. Pure."""
    return key.role != "device"


def after_restore(connection: sa.Connection, revoked: Revoked | None, *, made_us: int, now_us: int) -> Review:
    """
    Review a restored database, in the transaction that makes it usable.

    revoked : content of the file of revoked keys; None: there is none. made_us : when the backup was made.
    """
    before, people_before = keys.every(connection), people.every(connection)
    revoked_then = [*_revoked_in(before), *_revoked_in(people_before)]
    doubt = doubt_of(revoked, revoked_then, made_us=made_us)
    ended = _end(connection, before, revoked, RESTORE, now_us)
    people_ended = _end_people(connection, people_before, revoked, RESTORE, now_us)
    sessions.end_everyones(connection, now_us)
    invited = [person for person in people.every(connection) if person.state == people.INVITED]
    people.end_invitations(connection, now_us)
    about = {"made_at": instant_text(made_us), "revocations": "complete"}
    if doubt is not None:
        about |= {"revocations": doubt.code, **doubt.values}
    for owner_id in fleet.every_owner(connection):
        audit.note(connection, owner_id, now_us, RESTORE, "restored", **about)
    valid = keys.valid(connection, made_us) if doubt is not None else []
    for key in valid:
        if waits(key):
            keys.suspend(connection, key.id, now_us)
            audit.note(connection, key.owner_id, now_us, RESTORE, "key_suspended", key=key.handle)
    codes = 0
    for owner_id, many in one_time_codes.end_all_open(connection, now_us).items():
        audit.note(connection, owner_id, now_us, RESTORE, "codes_cancelled", codes=many)
        codes += many
    now_revoked = _revoked_in(keys.every(connection)) | _revoked_in(people.every(connection))
    return Review(
        ended=ended,
        doubt=doubt,
        valid=valid,
        revoked=now_revoked,
        codes=codes,
        people_ended=people_ended,
        people_waiting=_suspend_people(connection, now_us) if doubt is not None else [],
        people_invited=invited,
    )


def _suspend_people(connection: sa.Connection, now_us: int) -> list[Person]:
    """Have every person who is not out wait to be confirmed."""
    waiting = [person for person in people.every(connection) if person.revoked_us is None]
    for person in waiting:
        people.edit(connection, person.id, suspended_us=now_us)
        about = {"person": person.name}
        audit.note(connection, person.owner_id, now_us, RESTORE, "person_suspended", **about)
    return waiting


def _revoked_in(known: Sequence[Key] | Sequence[Person]) -> dict[str, int]:
    return {one.handle: one.revoked_us for one in known if one.revoked_us is not None}


def doubt_of(
    revoked: Revoked | None, revoked_then: Sequence[str], *, made_us: int
) -> RevocationsDoubt | None:
    """
    Why a file may lack a revocation made after the backup; None: it has them all. Pure.

    revoked_then : handles that were revoked in the backup already.
    """
    if revoked is None:
        return RevocationsDoubt("no_file", {})
    if revoked.unreadable_line is not None:
        return RevocationsDoubt("unreadable", {"line": revoked.unreadable_line})
    if revoked.complete_since_us is not None and revoked.complete_since_us > made_us:
        return RevocationsDoubt("begun_later", {})
    if lacking := sorted(set(revoked_then) - set(revoked.handles)):
        return RevocationsDoubt("another", {"key": lacking[0]})
    return None


def start(engine: sa.Engine, folder: Path | None, now_us: int) -> None:
    """Reconcile database and file, where there is an archive folder. A failure is only logged."""
    if folder is None:
        return
    try:
        with durability.begin_alone(engine) as connection:
            at_start(connection, folder, now_us)
    except (OSError, ValueError, TryAgain) as error:
        log.warning("ingest.revocations_not_read", extra={"file": str(folder / FILE), "reason": why(error)})


def at_start(connection: sa.Connection, folder: Path, now_us: int) -> None:
    """
    Make database and file agree about every key. Raises ValueError, OSError: it is no usable file.

    A new file states since when it is complete: a person may have restored the database by hand, without
    later revocations.
    """
    path = folder / FILE
    revoked = revocations.read(path)
    every_key, everyone = keys.every(connection), people.every(connection)
    _end(connection, every_key, revoked, START, now_us)
    _end_people(connection, everyone, revoked, START, now_us)
    revoked_in_file = revoked.handles if revoked is not None else {}
    in_database = _revoked_in(every_key) | _revoked_in(everyone)
    missing = {handle: at_us for handle, at_us in in_database.items() if handle not in revoked_in_file}
    if missing or revoked is None:
        revocations.append(path, missing, begun_us=now_us)


def _end(
    connection: sa.Connection, known: Sequence[Key], revoked: Revoked | None, who: str, now_us: int
) -> list[Key]:
    """Revoke the keys of the file that are not revoked in the database. known : all keys."""
    revoked_in_file = revoked.handles if revoked is not None else {}
    ended = [key for key in known if key.revoked_us is None and key.handle in revoked_in_file]
    for key in ended:
        keys.revoke_id(connection, key.id, now_us)
        audit.note(connection, key.owner_id, now_us, who, "key_revoked", key=key.handle)
    return ended


def _end_people(
    connection: sa.Connection, known: Sequence[Person], revoked: Revoked | None, who: str, now_us: int
) -> list[Person]:
    """End the people that the file has and the database does not have as revoked. known : everyone."""
    there = revoked.handles if revoked is not None else {}
    ended = [person for person in known if person.revoked_us is None and person.handle in there]
    for person in ended:
        people_rules.end(connection, person, who, now_us)
    return ended
