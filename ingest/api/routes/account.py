"""GET /v1/account: where every number of every stream is."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends

from cleanside.gateway.wire import MAX_LISTED
from cleanside.ingest.api.routes.declared import line_document
from cleanside.ingest.api.routes.described import AccountAnswer
from cleanside.ingest.api.routes.shared import R, needs, router_of
from cleanside.ingest.owners.access import sees_device
from cleanside.ingest.store import account
from cleanside.ingest.store.account import StreamBalance
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("account")


@router.get(
    "/v1/account",
    summary="Where every number of every stream is",
    response_model=AccountAnswer,
    response_model_exclude_unset=True,
)
def get_account(resources: R, key: Annotated[Key, Depends(needs("account:read"))]) -> dict[str, Any]:
    """The account of each stream that the key may see, counted from the rows, and whether all balance."""
    return document_of(balances_of(resources, key))


def balances_of(resources: Resources, key: Key) -> list[StreamBalance]:
    """The account of each stream that the key may see, counted from the rows."""
    with resources.reading() as connection:
        every = account.accounts(connection, key.owner_id)
        return [of_stream for of_stream in every if sees_device(key, of_stream.device)]


def document_of(accounts: list[StreamBalance]) -> dict[str, Any]:
    """Accounts for an answer or for the command."""
    return {"balances": all(a.balances for a in accounts), "streams": [_stream(a) for a in accounts]}


def _stream(a: StreamBalance) -> dict[str, Any]:
    document: dict[str, Any] = {"stream": a.stream, "device": a.device, "balances": a.balances}
    document |= {"through": a.through, "acknowledged_through": a.acknowledged_through, "highest": a.highest}
    document |= {"stored": a.stored, "quarantined": a.quarantined, "discarded": a.discarded}
    document |= {"shed": a.shed, "moved": a.moved, "gap": a.gap, "pending": a.pending}
    document |= {"duplicates": a.duplicates, "conflicts": a.conflicts}
    document["gaps"] = [list(gap) for gap in a.gaps[:MAX_LISTED]]
    if len(a.gaps) > MAX_LISTED:
        document["gaps_more"] = len(a.gaps) - MAX_LISTED
    document |= {"lost": a.lost, "faults": [str(fault) for fault in a.faults]}
    return document | {"declared": [line_document(line) for line in a.declared]}
