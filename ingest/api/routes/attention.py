"""GET /v1/attention: everything that may need a person, in one answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from importlib.metadata import version
from typing import Annotated, Any, TypeVar

import sqlalchemy as sa
from fastapi import Depends

from cleanside.gateway.wire import MAX_LISTED
from cleanside.ingest.analysis import concerns
from cleanside.ingest.analysis.concerns import Concern, ConcernGroup
from cleanside.ingest.api.routes.described import AttentionAnswer
from cleanside.ingest.api.routes.shared import R, needs, router_of, text
from cleanside.ingest.intake.codes import ATTENTION_STEPS
from cleanside.ingest.owners.access import devices_seen
from cleanside.ingest.quarantine import same_reading
from cleanside.ingest.store import attention, clock_steps, declared, keyless
from cleanside.ingest.store.attention import CopiedGroup, HeardDevice, QuarantinedGroup
from cleanside.ingest.store.clock_steps import SteppedClock
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.keyless import Keyless
from cleanside.ingest.store.keys import Key

router = router_of("account")

L = TypeVar("L", HeardDevice, QuarantinedGroup, DeclaredLine, CopiedGroup, Keyless, SteppedClock)


@router.get(
    "/v1/attention",
    summary="What needs a person",
    response_model=AttentionAnswer,
    response_model_exclude_unset=True,
)
def get_attention(resources: R, key: Annotated[Key, Depends(needs("attention:read"))]) -> dict[str, Any]:
    """
    Without a valid key, silent, behind, in conflict, in quarantine, clocks that stepped back, declared
    losses, versions.

    Each with counts, ages and the next step.
    """
    now_us = resources.clock()
    with resources.reading() as connection:
        groups = look(connection, key.owner_id, now_us, devices=devices_seen(key))
    return document_of(groups, now_us)


def look(
    connection: sa.Connection, owner_id: int | None, now_us: int, *, devices: frozenset[str] | None = None
) -> list[ConcernGroup]:
    """The groups of an owner, or of all owners, now. devices : of these alone; None: of all."""

    def seen(found: Iterable[L]) -> list[L]:
        return [line for line in found if devices is None or line.device in devices]

    quiet_before_us = now_us - concerns.LISTED_AFTER_US
    heard = seen(attention.heard_devices(connection, owner_id, quiet_before_us=quiet_before_us))
    quarantined = seen(attention.quarantined_groups(connection, owner_id))
    lines = seen(declared.lines(connection, owner_id))
    copied = seen(same_reading.groups(connection, owner_id))
    refused = seen(keyless.keyless_devices(connection, owner_id, now_us).values())
    steps = seen(clock_steps.stepped(connection, owner_id, now_us - concerns.STEPPED_FOR_US))
    of_readings = heard, quarantined, lines, copied
    return concerns.groups_of(*of_readings, refused, steps, version=version("cleanside"), now_us=now_us)


def document_of(groups: Sequence[ConcernGroup], now_us: int) -> dict[str, Any]:
    """Groups for an answer or for the command."""
    return {
        "now": text(now_us),
        "needs_person": sum(group.needing for group in groups),
        "groups": [_group(group, now_us) for group in groups],
    }


def _group(group: ConcernGroup, now_us: int) -> dict[str, Any]:
    document: dict[str, Any] = {"group": group.group, "count": len(group.lines)}
    document |= {"needs_person": group.needing}
    document["entries"] = [line_document(line, now_us) for line in group.lines[:MAX_LISTED]]
    if len(group.lines) > MAX_LISTED:
        document["entries_more"] = len(group.lines) - MAX_LISTED
    return document


def line_document(line: Concern, now_us: int) -> dict[str, Any]:
    """A line for an answer."""
    return {
        "device": line.device,
        "machine": line.machine,
        "code": line.code,
        "count": line.count,
        "value": line.value,
        "since": text(line.since_us),
        "age_s": None if line.since_us is None else max(0, now_us - line.since_us) // 1_000_000,
        "needs_person": line.needs_person,
        "next_step": next_step(line),
    }


def next_step(line: Concern) -> str:
    """What to do about a line."""
    code = line.step or line.code
    return ATTENTION_STEPS.get(code, ATTENTION_STEPS["other"])
