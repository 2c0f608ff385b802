"""
Events of housings, quarantined readings and accounts, each written into the outbox once.

Promises: the last announced state is written in the event's transaction, so each cause has one event, even
after a kill. States are those of the analysis, which works in time order and does not flap; a housing with
hours that wait for a summary is left for the next pass.
Leaves to others: subscriptions (`ingest.api.routes.webhooks`), delivery (`ingest.webhooks.courier`).

One process at a time does this (`ingest.webhooks.courier`), for owners with webhooks only.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.shop.advice import advice_text
from cleanside.ingest.store import announced, declared, dialect, outbox
from cleanside.ingest.store.announced import ToldHousing
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.outbox import Event, Webhook
from cleanside.ingest.writer.resources import Counted, Resources

log = logging.getLogger("cleanside.ingest")

MICRO = 1_000_000
# PostgreSQL numbers entries before they are committed: an entry of another process may appear later under a
# lower number. After this time it has, or never will (its transaction has timed out).
SETTLES_US = 60 * MICRO
MAX_GROUPS = 32  # groups of quarantined readings in one event; the rest is counted

REGISTERED = "cleanside.webhook.registered"
TRIAL = "cleanside.webhook.trial"
STATE_CHANGED = "cleanside.state.changed"
SILENT = "cleanside.device.silent"
CHANGE_FOUND = "cleanside.element.change_found"
READINGS_HELD = "cleanside.readings.held"
LOSS_DECLARED = "cleanside.loss.declared"
OUT_OF_BALANCE = "cleanside.account.out_of_balance"
BALANCES_AGAIN = "cleanside.account.balances_again"
# noticed by `ingest.messages.noticing`, with the messages to people
MATTER_OPENED = "cleanside.matter.opened"
MATTER_WORSE = "cleanside.matter.worse"
MATTER_SETTLED = "cleanside.matter.settled"
OF_MATTERS = frozenset({MATTER_OPENED, MATTER_WORSE, MATTER_SETTLED})

#: event type -> its sentence
TYPES: Mapping[str, str] = {
    STATE_CHANGED: "a housing went from one state to another",
    SILENT: "a housing sends no data any more, and why, as far as is known",
    CHANGE_FOUND: "restriction fell as with a new element and no change is entered: enter it, or deny it",
    READINGS_HELD: "readings were put into quarantine since the last such event, by device and code",
    LOSS_DECLARED: "gateways declared losses or damage since the last such event, by device and event",
    OUT_OF_BALANCE: "a number that was acknowledged is in no state; look at the account",
    BALANCES_AGAIN: "the account balances again",
    MATTER_OPENED: "something cannot wait, as people get a message of it",
    MATTER_WORSE: "something that cannot wait became worse than it ever was",
    MATTER_SETTLED: "something that could not wait is settled",
}

#: owner -> its housings as seen now
Views = Callable[[sa.Connection, int], Sequence[View]]
#: runs a job in a transaction, and returns its result once it is durable
Write = Callable[[Callable[[sa.Connection], Any]], Any]


@dataclass(frozen=True, slots=True)
class Announcements:
    """Events of one owner, and the state to write with them."""

    owner_id: int
    events: tuple[Event, ...]
    housings: tuple[ToldHousing, ...] = ()
    entry_id: int | None = None
    account: tuple[bool, int] | None = None
    declared: tuple[DeclaredLine, ...] = ()

    @property
    def says_something(self) -> bool:
        """False where nothing changed."""
        said = self.events or self.housings or self.declared
        return bool(said or self.entry_id is not None or self.account)


def announce(resources: Resources, views: Views, write: Write) -> int:
    """Write the news of all owners with webhooks. Returns how many events."""
    with resources.reading() as connection:
        owners = sorted({webhook.owner_id for webhook in outbox.wanted(connection)})
    return sum(_announce_to(owner_id, resources, views, write) for owner_id in owners)


def _announce_to(owner_id: int, resources: Resources, views: Views, write: Write) -> int:
    counted, now_us = resources.counted, resources.clock()
    with resources.reading() as connection:
        news = _looked(connection, owner_id, views, counted, now_us)
    if news is None or not news.says_something:
        return 0
    write(partial(_write, entry=news))
    return len(news.events)


def _looked(
    connection: sa.Connection, owner_id: int, views: Views, counted: Counted | None, now_us: int
) -> Announcements | None:
    """The news of one owner; None after an error, so that no other owner waits for it."""
    try:
        return look(connection, owner_id, views, counted, now_us)
    except (TryAgain, sa.exc.SQLAlchemyError):  # the database, for all of them
        raise
    except Exception:
        log.exception("ingest.announcing_failed", extra={"owner": owner_id})
        return None


def _write(connection: sa.Connection, entry: Announcements) -> None:
    wanted = outbox.wanted(connection)  # read again: one may have ended meanwhile
    for event in entry.events:
        to = [w for w in wanted if w.owner_id == entry.owner_id and event.type in w.wanted]
        outbox.put(connection, entry.owner_id, event, to)
    announced.save(connection, entry.owner_id, entry.housings, entry.entry_id, entry.account)
    declared.save_told(connection, entry.declared)


def look(
    connection: sa.Connection, owner_id: int, views: Views, counted: Counted | None, now_us: int
) -> Announcements:
    """The news of one owner. counted : the account; None: not counted since this server started."""
    said = announced.housings_of(connection, owner_id)
    events: list[Event] = []
    housings: list[ToldHousing] = []
    for seen in views(connection, owner_id):
        if seen.hours_behind:
            continue
        news, now_said = of_housing(seen, said.get(seen.housing.id), now_us)
        events += news
        if now_said is not None:
            housings.append(now_said)
    before = announced.owner(connection, owner_id)
    settled_us = now_us if dialect.is_sqlite(connection) else now_us - SETTLES_US
    said_entry = None if before is None else before.entry_id
    newest, groups = announced.held_since(connection, owner_id, said_entry, settled_us)
    events += of_quarantine(groups, now_us) if before is not None else []
    more = news_of(declared.lines(connection, owner_id), declared.told(connection, owner_id))
    events += of_declared(more, now_us) if before is not None else []
    checked, balance = _account(counted, owner_id, before, now_us)
    moved = before is None or newest != before.entry_id
    told_entry = newest if moved else None
    lines = tuple(line for line, _ in more)
    return Announcements(owner_id, (*events, *checked), tuple(housings), told_entry, balance, lines)


# ---------------------------------------------------------------- events (pure)


def of_housing(seen: View, said: ToldHousing | None, now_us: int) -> tuple[list[Event], ToldHousing | None]:
    """
    Events of a housing and its new announced state; None: nothing new.

    said : the last announced state; None: none yet, then the present state becomes it without an event.
    """
    assessment = seen.assessment
    newest_us = max((int(at_s * MICRO) for at_s in assessment.study.changes_sure_s), default=0)
    now_said = ToldHousing(seen.housing.id, assessment.state, newest_us, now_us)
    if said is None:
        return [], now_said
    now_said = ToldHousing(seen.housing.id, assessment.state, max(newest_us, said.change_us), now_us)
    events: list[Event] = []
    for at_s in sorted(assessment.study.changes_sure_s):
        if int(at_s * MICRO) > said.change_us:
            data = {"found_at": instant_text(int(at_s) * MICRO)}
            events.append(_event(CHANGE_FOUND, seen, data, now_us))
    if assessment.state != said.state:
        events.append(_event(STATE_CHANGED, seen, {"from": said.state, "to": assessment.state}, now_us))
    if assessment.state != said.state and assessment.state == "silent":
        quiet: dict[str, Any] = {"quiet_because": assessment.quiet_because, "quiet_s": assessment.quiet_s}
        events.append(_event(SILENT, seen, quiet, now_us))
    return events, now_said if events else None


def _event(kind: str, seen: View, data: Mapping[str, Any], now_us: int) -> Event:
    assessment, housing = seen.assessment, seen.housing
    left = assessment.study.hours_left
    common = {
        "machine": housing.machine,
        "housing": housing.name,
        "state": assessment.state,
        "state_text": seen.state_text,
        "advice": advice_text(assessment, seen.papers),
        "share_used_percent": assessment.study.share_used_percent,
        "hours_left": None if left is None else {"p10": left.p10, "p50": left.p50, "p90": left.p90},
    }
    subject = f"machines/{housing.machine}/housings/{housing.name}"
    return Event(type=kind, subject=subject, at_us=now_us, data={**common, **data})


def of_quarantine(groups: Sequence[tuple[str, str, int]], now_us: int) -> list[Event]:
    """One event for all readings quarantined since the last one. groups : device, code, how many."""
    if not groups:
        return []
    listed = [{"device": d, "code": c, "readings": n} for d, c, n in groups[:MAX_GROUPS]]
    data: dict[str, Any] = {"readings": sum(n for _, _, n in groups), "groups": listed}
    if len(groups) > MAX_GROUPS:
        data["groups_more"] = len(groups) - MAX_GROUPS
    return [Event(type=READINGS_HELD, subject="quarantine", at_us=now_us, data=data)]


#: a line, and its news: times and readings lost
DeclaredNews = tuple[DeclaredLine, tuple[int, int]]


def news_of(
    found: Sequence[DeclaredLine], told: Mapping[tuple[int, str], tuple[int, int]]
) -> list[DeclaredNews]:
    """Declarations beyond the announced ones. told : (stream, event) -> times and readings lost."""
    news: list[DeclaredNews] = []
    for line in found:
        times, lost = told.get((line.stream_id, line.event), (0, 0))
        if line.times > times or line.lost > lost:
            news.append((line, (max(0, line.times - times), max(0, line.lost - lost))))
    return news


def of_declared(news: Sequence[DeclaredNews], now_us: int) -> list[Event]:
    """One event for all that gateways declared since the last one."""
    if not news:
        return []
    listed = [
        {"device": line.device, "event": line.event, "times": times, "readings": lost}
        for line, (times, lost) in news[:MAX_GROUPS]
    ]
    data: dict[str, Any] = {"readings": sum(lost for _, (_, lost) in news), "groups": listed}
    if len(news) > MAX_GROUPS:
        data["groups_more"] = len(news) - MAX_GROUPS
    return [Event(type=LOSS_DECLARED, subject="account", at_us=now_us, data=data)]


def of_account(faults: Sequence[str], said: bool, now_us: int) -> list[Event]:
    """
    An event where the account stopped balancing, or balances again. said : it balanced when last announced.
    """
    if said and faults:
        data: dict[str, Any] = {"faults": list(faults[:MAX_GROUPS])}
        return [Event(type=OUT_OF_BALANCE, subject="account", at_us=now_us, data=data)]
    if not said and not faults:
        return [Event(type=BALANCES_AGAIN, subject="account", at_us=now_us, data={})]
    return []


def _account(
    counted: Counted | None, owner_id: int, before: announced.ToldOwner | None, now_us: int
) -> tuple[list[Event], tuple[bool, int] | None]:
    """Events of the account, and its announced state; None: there is no newer count."""
    if counted is None or (before is not None and counted.counted_us == before.account_at_us):
        return [], None
    faults = counted.faults.get(owner_id, ())
    said = before.account_balances if before is not None else True
    return of_account(faults, said, now_us), (not faults, counted.counted_us)


def welcome(webhook: Webhook, now_us: int) -> Event:
    """The first event of a webhook: with it a receiver can test that deliveries arrive and verify."""
    return _of_webhook(REGISTERED, webhook, now_us)


def trial_event(webhook: Webhook, now_us: int) -> Event:
    """An event that a person asks for, to see whether deliveries arrive."""
    return _of_webhook(TRIAL, webhook, now_us)


def _of_webhook(kind: str, webhook: Webhook, now_us: int) -> Event:
    data = {"webhook": webhook.id, "types": webhook.wanted}
    return Event(type=kind, subject=f"webhooks/{webhook.id}", at_us=now_us, data=data)
