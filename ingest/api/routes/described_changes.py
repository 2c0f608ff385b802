"""
How the answer about what changed of a fleet looks, for the OpenAPI description.

Leaves to others: what the values are (`fleet_changes`).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import Dates, Described
from cleanside.ingest.api.routes.described_kinds import State, StateForm


class HousingChangeShown(Described):
    """What changed of a housing since then."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    state: State
    state_form: StateForm
    state_then: State
    share_used_percent: float | None
    limit_in_doubt: bool
    element_in_doubt: bool
    share_used_percent_then: float | None = Field(description="as of then; null: not known [%]")
    due_at: Dates | None
    due_at_then: Dates | None = Field(description="as of then, of the element of then; null: not known")
    due_moved_days: float | None = Field(
        description="how far the likely date of the element moved, later is positive; null: not so far, or "
        "its element was changed [days]"
    )
    changed_at: str | None = Field(description="when its element was changed since; null: it was not")
    changed_confirmed: bool | None = Field(
        description="false: it was entered, and no reading confirms it yet; null: it was not changed"
    )
    entered_by: str | None = Field(
        description="handle of whoever entered what is not confirmed yet; null: there is no such entry"
    )
    entered_by_name: str | None = Field(description="name written at the machine; null: at the shop")
    faults_new: list[str] = Field(description="to be looked at first now, and not then, by code")
    faults_settled: list[str] = Field(description="to be looked at first then, and not now, by code")


class FleetChangesAnswer(Described):
    """What changed of a fleet since a midnight."""

    now: str
    since: str = Field(description="the midnight that the present is compared with, UTC")
    count: int = Field(description="housings that were compared, also those of which nothing changed")
    changed: int = Field(description="housings of which something changed: each stands once in `changes`")
    changes: list[HousingChangeShown] = Field(description="where something changed, most urgent first")
