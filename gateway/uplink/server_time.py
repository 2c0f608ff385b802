"""
What an answer says of the time, and how sure that is: pure.

Promises: the true time lies within the anchor that is given, wherever in the exchange the server stopped to
think, as long as the server's clock is right and the boot's clock keeps within `GROWTH_PPB`. Where an answer
may have been made before it was asked for, there is no anchor.
Leaves to others: whether the link is to be trusted (`gateway.uplink.transport`), what an anchor places.

Two sources. `server_time` is made for each answer, so it was true at some moment between asking and having
the answer: half the round trip bounds it, and the last digit it is written with. The previous release left
that field out of refusals, and a new spool meets a refusal first. Its HTTP `Date` names whole seconds and is
made once a second or later, so it lags and never leads: 0 to 1.55 s in 14 trials, 4.27 s in one.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.placement import GROWTH_PPB
from cleanside.gateway.uplink.retry_after import parse_http_date
from cleanside.gateway.uplink.transport import Reply
from cleanside.gateway.wire import ANSWER_MEDIA_TYPE, PROBLEM_MEDIA_TYPE, parse_instant

#: what a `Date` of the previous release may lag behind [us]; chosen above the most that was seen
DATE_LAG_US: Final = 5_000_000
_SECOND_US: Final = 1_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Exchange:
    """One question and its answer, on the clock of this boot."""

    #: the id that the request was given
    request_id: str
    asked_us: int
    answered_us: int
    #: what was believed of the time before; None: nothing yet
    before: Anchor | None
    #: what our own clock shows: for the century of the oldest form of an HTTP date
    shown: datetime


def anchor_of(reply: Reply, exchange: Exchange) -> Anchor | None:
    """What `reply` says of the time; None where it says nothing that may be believed."""
    if not reply.trusted or "age" in reply.headers or _is_of_another(reply, exchange):
        return None
    document = _document(reply)
    if document is None:
        return None
    window = _window_us(document.get("server_time"), reply, exchange)
    if window is None:
        return None
    earliest_us, latest_us = window
    if not _is_proved_fresh(reply, exchange) and latest_us < _least_us(exchange):
        return None
    half_us = -(-(exchange.answered_us - exchange.asked_us) // 2)
    drift_us = half_us * GROWTH_PPB // 10**9 + 1
    return Anchor(
        kind="server",
        since_boot_us=exchange.asked_us + half_us,
        utc_us=(earliest_us + latest_us) // 2,
        uncertainty_us=-(-(latest_us - earliest_us) // 2) + half_us + drift_us,
    )


def _document(reply: Reply) -> dict[str, Any] | None:
    """The answer as an object, where it is one of our server."""
    if reply.media_type not in (ANSWER_MEDIA_TYPE, PROBLEM_MEDIA_TYPE):
        return None
    try:
        document = json.loads(reply.body)
    except ValueError:
        return None
    if not isinstance(document, dict):
        return None
    ours = reply.media_type == ANSWER_MEDIA_TYPE or isinstance(document.get("code"), str)
    return document if ours else None


def _is_of_another(reply: Reply, exchange: Exchange) -> bool:
    """Our server gives each request its id back: another id is on an answer that was kept somewhere."""
    return reply.headers.get("request-id", exchange.request_id) != exchange.request_id


def _is_proved_fresh(reply: Reply, exchange: Exchange) -> bool:
    return reply.headers.get("request-id") == exchange.request_id


def _window_us(said: object, reply: Reply, exchange: Exchange) -> tuple[int, int] | None:
    """Between which times the answer was made [us since 1970]."""
    if isinstance(said, str):
        try:
            us = parse_instant(said).us
        except ValueError:
            return None
        return us, us + resolution_us(us)
    if said is not None or reply.media_type != PROBLEM_MEDIA_TYPE:
        return None
    date = parse_http_date(reply.headers.get("date", ""), now=exchange.shown)
    if date is None:
        return None
    us = int(date.timestamp()) * _SECOND_US
    return us, us + DATE_LAG_US


def resolution_us(us: int) -> int:
    """What a time may have been cut by: a step of its last digit that is not zero, a second at most [us]."""
    step = 1
    while step < _SECOND_US and us % (step * 10) == 0:
        step *= 10
    return step


def _least_us(exchange: Exchange) -> int:
    """The earliest that it can have been when the question was asked [us since 1970]."""
    if exchange.before is None:
        return 0
    passed_us = exchange.asked_us - exchange.before.since_boot_us
    doubt_us = exchange.before.uncertainty_us + abs(passed_us) * GROWTH_PPB // 10**9
    return exchange.before.utc_us + passed_us - doubt_us
