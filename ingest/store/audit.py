"""
The audit log: who did what, when, and to what. Only this file writes and reads it.

Promises: a line is stored as its kind (`what`) and values, and becomes a text when it is read. A line of a
release before 0022 has a text and no values; it reads as it was written.
Leaves to others: who may read it (`ingest.api.routes.audit`).
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Collection
from operator import itemgetter
from typing import Any, NamedTuple

import pydantic_core
import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import Sentences, Values, text_of
from cleanside.ingest.hidden import origin_of
from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import audit

#: kinds of lines that decide a planned day; where none is planned any more, they name no day
_PLANNED_DAYS = ("planned_change", "planned_change_taken_back", "plan_day", "plan_day_back")
#: SQLite takes 1,000 conditions in a row (sqlite.org/limits.html, SQLITE_MAX_EXPR_DEPTH); chosen below that
NAMED_AT_ONCE = 200
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


class AuditRow(NamedTuple):
    """A line of the audit log as it is read."""

    id: int
    at_us: int
    who: str
    what: str
    #: the text
    detail: str
    #: values of the text; None: a line of an earlier release, which wrote the text alone
    values: Values | None


_ENTRY = sa.select(*(audit.c[f] for f in ("id", "at_us", "who", "what", "detail", "about"))).order_by(
    audit.c.id.desc()
)


def note(
    connection: sa.Connection,
    owner: int | sa.ScalarSelect[int],
    now_us: int,
    who: str,
    what: str,
    /,
    **about: Any,
) -> None:
    """Write down who did what. what : a kind in `SENTENCES`. about : its values, as JSON has them."""
    # The previous release reads `detail` and may still run on the same database; the next one leaves it
    # empty.
    values = {"owner_id": owner, "at_us": now_us, "who": who, "what": what}
    values |= {"detail": text_of(SENTENCES, what, about), "about": json.dumps(about)}
    connection.execute(sa.insert(audit).values(values))


def entries_of(
    connection: sa.Connection,
    owner_id: int,
    *,
    who: str | None,
    what: str | None,
    before_id: int | None,
    limit: int,
    named: Collection[tuple[str, str]] = (),
    span_us: tuple[int | None, int | None] = (None, None),
) -> list[AuditRow]:
    """
    Lines of an owner, newest first.

    named : name and value of one of which a line has to be about, like ("machine", "grader-07"); empty: any.
    span_us : from and until when; None: open. Lines of releases before 0022 have no values to look in.
    """
    query = _ENTRY.where(audit.c.owner_id == owner_id).limit(limit)
    if who is not None:
        query = query.where(audit.c.who == who)
    if what is not None:
        query = query.where(audit.c.what == what)
    if before_id is not None:
        query = query.where(audit.c.id < before_id)
    since_us, until_us = span_us
    if since_us is not None:
        query = query.where(audit.c.at_us >= since_us)
    if until_us is not None:
        query = query.where(audit.c.at_us < until_us)
    if named:
        query = query.where(_is_about(connection, named))
    return [_read(row) for row in connection.execute(query)]


def _is_about(connection: sa.Connection, named: Collection[tuple[str, str]]) -> sa.ColumnElement[bool]:
    """One of these names has its value in a line."""
    place = sa.func.instr if dialect.is_sqlite(connection) else sa.func.strpos
    pairs = (json.dumps({name: value})[1:-1] for name, value in named)  # as `note` writes them
    return sa.or_(*(place(audit.c.about, pair) > 0 for pair in pairs))


def values_of(connection: sa.Connection, owner_id: int, what: str, at_us: int) -> list[Values]:
    """The values of an owner's lines of one kind and instant, in the order of writing."""
    query = _ENTRY.where(audit.c.owner_id == owner_id, audit.c.what == what, audit.c.at_us == at_us)
    found = (json.loads(row.about) for row in connection.execute(query) if row.about is not None)
    return list(found)[::-1]


def lines_of(
    connection: sa.Connection, owner_id: int, kinds: Collection[str], named: Collection[tuple[str, str]]
) -> list[AuditRow]:
    """
    Lines of an owner of some kinds, in the order of writing, without those of releases before 0022.

    named : as in `entries_of`, but none finds nothing.
    """
    query = _ENTRY.where(audit.c.owner_id == owner_id, audit.c.what.in_(kinds))
    found = {
        row.id: row
        for some in dialect.chunks(list(named), NAMED_AT_ONCE)
        for row in connection.execute(query.where(_is_about(connection, some)))
    }
    return [_read(found[line]) for line in sorted(found)]


def instants_of(connection: sa.Connection, owner_id: int, what: str, since_us: int) -> set[int]:
    """When an owner's lines of one kind were written, from an instant on [us]."""
    query = sa.select(audit.c.at_us).distinct()
    here = (audit.c.owner_id == owner_id, audit.c.what == what, audit.c.at_us >= since_us)
    return set(connection.execute(query.where(*here)).scalars())


def planned_days_of(
    connection: sa.Connection, owner_id: int, since_us: int
) -> dict[tuple[str, str], list[tuple[int, str | None]]]:
    """
    Machine and housing -> instants [us] and days that people planned for it, in order; None: taken back.

    since_us : lines from then on. The days of a plan that was taken back are left out.
    """
    here = (audit.c.owner_id == owner_id, audit.c.what.in_(_PLANNED_DAYS), audit.c.at_us >= since_us)
    columns = (audit.c.id, audit.c.at_us, audit.c.what, audit.c.about)
    query = sa.select(*columns).where(*here, audit.c.about.is_not(None))
    found: defaultdict[tuple[str, str], list[tuple[int, str | None]]] = defaultdict(list)
    # Ordered here: asked to order by id, SQLite reads the whole log by another index.
    for _, at_us, what, about in sorted(connection.execute(query), key=itemgetter(0)):
        values = json.loads(about)
        decided = values.get("body", values)  # a plan's day has no body of a request
        on = decided.get("on")
        days = found[values["machine"], decided["housing"]]
        if what == "plan_day_back" and days and days[-1][1] == values["before"]:
            days.pop()
        else:
            days.append((at_us, on if _DAY.fullmatch(on or "") else None))
    return dict(found)


def _read(row: sa.Row[Any]) -> AuditRow:
    values = None if row.about is None else json.loads(row.about)
    if values is None or row.what not in SENTENCES:
        detail = row.detail
    else:
        detail = text_of(SENTENCES, row.what, values)
    return AuditRow(row.id, row.at_us, row.who, row.what, detail, values)


def hide_addresses(connection: sa.Connection) -> None:
    """
    Cut the addresses of webhooks to scheme, host and port: releases before 0010 noted them whole.

    The one case in which the log is rewritten: with a token in it, any reader of the log could send.
    """
    rows = connection.execute(sa.select(audit.c.id, audit.c.detail).where(audit.c.what == "webhook"))
    for entry_id, detail in rows.all():
        number, _, url = detail.partition(" ")
        if url and (shown := f"{number} {origin_of(url)}") != detail:
            connection.execute(sa.update(audit).where(audit.c.id == entry_id).values(detail=shown))


# ---------------------------------------------------------------- sentences


def _body(values: Values) -> str:
    """The request as JSON, after its object."""
    named = [str(value) for name, value in values.items() if name != "body"]
    return " ".join([*named, pydantic_core.to_json(values["body"]).decode()])


def _which(values: Values) -> str:
    """How many readings of which numbers; empty: a line of a release that did not note it."""
    if "readings" not in values:
        return ""
    spans = [f"{one['stream']} {one['first']} to {one['last']}" for one in values["streams"]]
    more = [f"{counted(values['more_streams'], 'stream')} more"] if "more_streams" in values else []
    return ": ".join(
        [f"; {counted(values['readings'], 'reading')}", *filter(None, [", ".join(spans + more)])]
    )


def _of_readings(values: Values) -> str:
    return _body({name: values[name] for name in ("amendment", "body")}) + _which(values)


def _undone(values: Values) -> str:
    return f"{values['amendment']}{_which(values)}"


def _as_json(values: Values) -> str:
    return json.dumps(values)


def _new_key(values: Values) -> str:
    return " ".join([values["key"], values["role"], *values["devices"]])


def _person_with_role(values: Values) -> str:
    return f"{values['person']} {values['role']}, sites: {', '.join(values['sites']) or 'all'}"


def _boot_corrected(values: Values) -> str:
    return json.dumps(values["event"], sort_keys=True)


_BEYOND = {"after_now": "after now", "before_its_time": "before its own time"}


def _correction_refused(values: Values) -> str:
    beyond = _BEYOND[values["beyond"]]
    return f"{values['correction']} would put readings of {values['device']} {beyond}"


_DOUBTS_OF_KEYS: Sentences = {
    "complete": "all revocations are known",
    "no_file": "there is no file of revoked keys",
    "unreadable": "line {line} of the file of revoked keys cannot be read",
    "begun_later": "the file of revoked keys was begun after the backup",
    "another": "the file of revoked keys is of another database or an older copy: it lacks {key}",
}


def revocations_sentence(code: str, values: Values) -> str:
    """Whether the file of revoked keys is complete after a restore, and why not."""
    return text_of(_DOUBTS_OF_KEYS, code, values)


def _restored(values: Values) -> str:
    return f"as of {values['made_at']}: {revocations_sentence(values['revocations'], values)}"


def _codes_cancelled(values: Values) -> str:
    return counted(values["codes"], "code")


def _replaced(values: Values) -> str:
    return f"{values['amendment']} {json.dumps(values['body'])}"


_BUNDLES_REFUSED: Sentences = {
    "no_key": "no key of device {device} that this owner has made it, or its first block was altered",
    "altered": "it says that it was made with key {key}, but it was not: its head or first block was altered",
    "key_unknown": (
        "it was made with key {key}, which is no key of device {device} that this owner has; "
        "export again with the key that the device has now"
    ),
    "key_revoked": (
        "it was made with key {key} of device {device}, which was revoked at {revoked_at}; "
        "give the device a new key and export again"
    ),
}


def bundle_sentence(code: str, values: Values) -> str:
    """Why the server takes nothing of a bundle."""
    return text_of(_BUNDLES_REFUSED, code, values)


def _bundle_refused(values: Values) -> str:
    return json.dumps({"device": values["device"], "reason": bundle_sentence(values["why"], values)})


#: kind -> the text of its line
SENTENCES: Sentences = {
    # the fleet
    "machine": _body,
    "device": _body,
    "machine_edited": _body,
    "device_edited": _body,
    "terminal": _body,
    "terminal_confirmed": _body,
    "prices": _body,
    "compared_by_hand": _body,
    "plate_photo": "{machine} {housing}, {bytes} bytes",
    "assignment": _body,
    "element_change": _body,
    "element_change_confirmed": _body,
    "element_change_read": _body,
    "element_change_taken_back": (
        "{machine} {housing} {changed_at} {work} entered {entered_at} by {by}: {note}"
    ),
    "element_change_corrected": (
        "{machine} {housing} {changed_at} {work} entered {entered_at} by {by}: is of {to_machine} "
        "{to_housing} {to_changed_at}: {because}"
    ),
    "entry_taken_back_at_machine": (
        "{machine} {housing} {changed_at} {work} entered {entered_at} at {at_device} by {by} ({note}), "
        "taken back there by {taken_back_by}: {because}"
    ),
    # what the shop knows
    "site": _body,
    "site_deleted": _body,
    "crew": _body,
    "crew_deleted": _body,
    "part": _body,
    "papers": _body,
    "meter_reading": _body,
    "gauge_reading": _body,
    "reading_taken_back": _body,
    "visit_entry_taken_back": _body,
    "planned_change": _body,
    "planning_terms": _body,
    "part_taken": "{part} at {site}: {pieces} for {machine} {housing}",
    "part_given_back": "{part} at {site}: {pieces} of {machine} {housing}",
    "orders_wanted": _body,
    "part_ordered": "{order}: {pieces} of {part} by {order_by}",
    "part_order": "{order}: {done}, {pieces} of {part}",
    "plan_day_back": "{machine} {housing}: {on}, taken back from {before} by {by}",
    "plan_day": "{machine} {housing}: {on}, before {before} by {by}",
    "visit_plan_taken_back": "{changed} days of the plan accepted at {accepted_at}",
    "visit_plan_accepted": "{visits} visits, {changed} of them on another day than before",
    "planned_change_taken_back": "{machine} {housing}",
    "machines_imported": "{rows} rows, {changed} changed, new sites {sites}, new crews {crews}",
    "sheet_taken_back": "{sheet}: {back} rows back, {stays} changed since",
    "parts_imported": "{rows} rows, {changed} changed, new sites {sites}",
    # keys
    "key": _new_key,
    "key_revoked": "{key}",
    "key_rotated": "{key} by {successor}, ends {ends_at}",
    "key_suspended": "{key}",
    "key_confirmed": "{key}",
    # people
    "person_invited": _person_with_role,
    "person_edited": _person_with_role,
    "person_reset": "{person}",
    "person_revoked": "{person}",
    "person_suspended": "{person}",
    "person_confirmed": "{person}",
    "person_joined": "{person}",
    "me_edited": "{person}",
    "password_changed": "{person}",
    "identity_bound": "{person}",
    "passkey_made": "{passkey} {name}",
    "passkey_removed": "{passkey}",
    "signed_in": "from {address}",
    "signed_out": "session {session}",
    "signed_out_everywhere": "{sessions} sessions",
    # codes
    "enrolment": "{enrolment} {device} on {machine} {housing}",
    "enrolment_cancelled": "{enrolment}",
    "enrolled": "{device} with code {enrolment}, claimed {claimed}",
    "transfer_offered": _body,
    "transfer_cancelled": "{transfer}",
    "transfer_given": _as_json,
    "transfer_taken": _as_json,
    "restored": _restored,
    "codes_cancelled": _codes_cancelled,
    # readings
    "amend": _of_readings,
    "time_right": _of_readings,
    "both_right": _of_readings,
    "second_kept": _of_readings,
    "discard": _of_readings,
    "set_aside": _of_readings,
    "misnumbered": _of_readings,
    "replace": _replaced,
    "undo": _undone,
    "appended_through_lowered": _as_json,
    "resend_asked": "{device} from {first} to {last}: {reason}",
    "resend_taken_back": "{device}",
    "boot_corrected": _boot_corrected,
    "boot_correction_refused": _correction_refused,
    "boot_correction_undone": "{correction}",
    "bundle_begun": _as_json,
    "bundle": _as_json,
    "bundle_refused": _bundle_refused,
    # webhooks
    "webhook": "{webhook} {origin}",
    "webhook_ended": "{webhook}",
    "webhook_replay": _body,
    "webhook_trial": "{webhook} {outcome}",
    # messages
    "address_confirmed": "{person}",
    "messages_chosen": "{person}",
    "messages_left": "{person} {kind}",
    "trial_message": "{person}",
    "message_replay": "{message}",
    "message_rules": _body,
    "matter_answered": "{matter}",
    "calendar_made": "{calendar}",
    "calendar_ended": "{calendar}",
}
