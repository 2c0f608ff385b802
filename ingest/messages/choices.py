"""
What a person chose, and what follows: which matters they hear of, when, and on which days a digest.

Promises: pure. Days and hours are those of the person's zone, through changes of daylight saving too: quiet
hours end on the clock of that day, and a digest is due once a day or week, however often an hour comes.
Leaves to others: the rows (`ingest.store.message_choices`).
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from cleanside.ingest.messages.matters import MATTER_KINDS
from cleanside.ingest.owners.access import allows, sees_site
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.message_choices import DAILY, NO_DIGEST, MessageChoices

#: an address as it stands in an envelope: ASCII alone, as a server without SMTPUTF8 takes it (RFC 5321)
ADDRESS = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
MONDAY = 0  # of `date.weekday`
MOST_ADDRESS = 254  # characters; RFC 5321 section 4.5.3.1.3, less the angle brackets


def is_address(text: str) -> bool:
    """True for what can be written to."""
    local = text.partition("@")[0]
    has_dots = not local.startswith(".") and not local.endswith(".") and ".." not in local
    return len(text) <= MOST_ADDRESS and has_dots and ADDRESS.fullmatch(text) is not None


def may_hear(key: Key, kind: str, site: str | None) -> bool:
    """True where a person may know of a matter. site : None, it is of all sites."""
    return allows(key, MATTER_KINDS[kind]) and sees_site(key, site)


def not_before_us(choices: MessageChoices, now_us: int) -> int:
    """When a message that is written now may be sent: at once, or at the end of quiet hours. [us]"""
    if choices.quiet_from is None or choices.quiet_until is None:
        return now_us
    now = _local(choices, now_us)
    begin, end = time.fromisoformat(choices.quiet_from), time.fromisoformat(choices.quiet_until)
    if not _is_within(now.time(), begin, end):
        return now_us
    day = now.date() if now.time() < end else now.date() + timedelta(days=1)
    return max(now_us, _instant_us(choices, day, end))


def _is_within(clock: time, begin: time, end: time) -> bool:
    """True for a time of day between two; over midnight where the first is the later."""
    return begin <= clock < end if begin <= end else clock >= begin or clock < end


def digest_due(choices: MessageChoices, now_us: int) -> date | None:
    """The day for which a digest is due now; None: none is."""
    if choices.digest == NO_DIGEST:
        return None
    now = _local(choices, now_us)
    day = (
        now.date() if now.time() >= time.fromisoformat(choices.digest_at) else now.date() - timedelta(days=1)
    )
    if choices.digest != DAILY:
        day -= timedelta(days=day.weekday())  # the Monday
    last = None if choices.digest_day is None else date.fromisoformat(choices.digest_day)
    return day if last is None or day > last else None


def begun_with(choices: MessageChoices, now_us: int) -> date:
    """The day that counts as done where a digest is chosen now: it comes today if its time is to come."""
    now = _local(choices, now_us)
    is_to_come = now.time() < time.fromisoformat(choices.digest_at)
    return now.date() - timedelta(days=1 if is_to_come else 0)


def next_digest_us(choices: MessageChoices, now_us: int) -> int | None:
    """When the next digest is due [us]; None: none was chosen."""
    if choices.digest == NO_DIGEST:
        return None
    if digest_due(choices, now_us) is not None:
        return now_us
    last, day, clock = (
        choices.digest_day,
        _local(choices, now_us).date(),
        time.fromisoformat(choices.digest_at),
    )
    while (
        (choices.digest != DAILY and day.weekday() != MONDAY)
        or (last is not None and day <= date.fromisoformat(last))
        or _instant_us(choices, day, clock) <= now_us
    ):
        day += timedelta(days=1)
    return _instant_us(choices, day, clock)


def _local(choices: MessageChoices, at_us: int) -> datetime:
    return datetime.fromtimestamp(at_us / 1e6, UTC).astimezone(ZoneInfo(choices.zone))


def _instant_us(choices: MessageChoices, day: date, clock: time) -> int:
    """An hour that a change of daylight saving leaves out counts as the one after it (PEP 495, fold 0)."""
    return round(datetime.combine(day, clock, ZoneInfo(choices.zone)).timestamp() * 1_000_000)
