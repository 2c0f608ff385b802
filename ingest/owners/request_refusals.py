"""
Requests refused for lack of authorisation: counted by hour, not stored one by one.

A count is of (hour, owner, reason, who). Where the request showed a key of ours, ended ones too, `who` is its
handle and the count is its owner's. Else `who` is the address (IPv6: the network of a subscriber) and the
count has no owner. An owner's admin reads its own (GET /v1/audit/refusals). The operator of the server reads
those without an owner (`cleanside-ingest keys refusals --no-owner`).

Promises: memory and rows are bounded: beyond `MOST_KEPT` in memory, or `store.refusals.MOST_NAMED` an hour
and owner in the database, further ones count together as "others". The database has the sum of all
processes. A kill loses the counts since the last write, some seconds.
Leaves to others: when counts are written (`ingest.api.app`), how often an address may try
(`ingest.owners.quotas`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

import sqlalchemy as sa

from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.quotas import address_of
from cleanside.ingest.store import refusals
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.refusals import HOUR_US, NO_OWNER, OTHERS, Refusal

_Counts = dict[tuple[int, int, str, str], Refusal]

MOST_KEPT = 200  # counts between two passes; chosen: written in some 20 ms

#: codes of problems of authorisation; the count uses the same name, or a more exact one
_CODES = frozenset(
    (
        *("key_unknown", "key_expired", "role_not_allowed", "key_not_for_device", "device_taken"),
        *(
            "code_not_valid",
            "sign_in_refused",
            "passkey_refused",
            "invitation_not_valid",
            "cross_site",
            "site_not_yours",
        ),
    )
)
TOO_MANY_TRIES = "too_many_tries"


def reason_of(error: Refused, key: Key | None) -> str | None:
    """The reason under which a refusal counts; None: it is not one of authorisation. Pure."""
    if error.code == "over_quota" and key is None:
        return TOO_MANY_TRIES
    return (getattr(error, "reason", None) or error.code) if error.code in _CODES else None


class Refusals:
    """The counts of this process since the last write."""

    def __init__(self) -> None:
        #: keys and strangers apart, so that a flood of strangers displaces no owner's count
        self._kept: tuple[_Counts, _Counts] = ({}, {})
        self._lock = threading.Lock()

    def __len__(self) -> int:
        """How many counts there are."""
        return sum(map(len, self._kept))

    def count(self, error: Refused, key: Key | None, host: str | None, now_us: int) -> None:
        """Count a refusal if it is one of authorisation. key : the one in the request, valid or ended."""
        key = getattr(error, "key", None) or key
        reason = reason_of(error, key)
        if reason is None:
            return
        owner_id, who = (NO_OWNER, address_of(host)) if key is None else (key.owner_id, key.handle)
        self._add([Refusal(now_us // HOUR_US, owner_id, reason, who, 1, now_us, now_us)])

    def take(self) -> list[Refusal]:
        """The counts since the last call."""
        with self._lock:
            taken, self._kept = self._kept, ({}, {})
        return [count for kept in taken for count in kept.values()]

    def flush(self, call: Callable[[Callable[[sa.Connection], None]], None]) -> None:
        """Write the counts. call : runs a job in a transaction; if it raises, nothing is lost."""
        counts = self.take()
        if not counts:
            return
        try:
            call(lambda connection: refusals.add(connection, counts))
        except Exception:
            self._add(counts)
            raise

    def _add(self, counts: Sequence[Refusal]) -> None:
        with self._lock:
            for count in counts:
                kept = self._kept[count.owner_id == NO_OWNER]
                if count.place not in kept and len(kept) >= MOST_KEPT:
                    count = count._replace(who=OTHERS)
                before = kept.get(count.place)
                kept[count.place] = count if before is None else before.plus(count)
