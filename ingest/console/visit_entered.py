"""
What was entered at a housing lately, for the page Visit: what it was, by whom, and whether it still stands.

Leaves to others: how it looks (`templates/visit_entered.html`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fastapi import Request

from cleanside.ingest.api.routes.element_changes import get_element_changes
from cleanside.ingest.api.routes.entries import get_entries
from cleanside.ingest.api.routes.gauge_readings import get_gauge_readings
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING
from cleanside.ingest.api.routes.paging import Page
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import us
from cleanside.ingest.api.routes.taking_back import OF_VISITS
from cleanside.ingest.owners.access import allows
from cleanside.ingest.store.keys import Key

LATELY_US = 86_400_000_000
SAME_US = 60_000_000  # of two times on a page, which writes them to the minute
#: kinds of entries that can be taken back
TAKEN_BACK = frozenset({"element_change", "meter_reading", "gauge_reading", *OF_VISITS})


def entered_at(request: Request, key: Key, machine: str, housing: str) -> list[dict[str, Any]]:
    """What was entered at a housing in the last day, and the last hour meter, as `entered_lately` says."""
    resources = services_of(request).resources
    since_us = resources.clock() - LATELY_US
    work = get_element_changes(machine, request, resources, key, housing)
    gauges = get_gauge_readings(machine, request, resources, key, housing)["gauge_readings"]
    entered = []
    if allows(key, "entries:read"):
        whole = Page.whole()
        entered = of_interest(get_entries(resources, key, whole, machine)["entries"], since_us)
    beside = {gauge["entry_id"]: gauge for gauge in gauges}
    lines = entered_lately(entered, work["element_changes"], work["gone"], housing, since_us)
    return [line | {"gauge": beside.get(line["entry_id"])} for line in lines]


def of_interest(entered: Sequence[Mapping[str, Any]], since_us: int) -> list[Mapping[str, Any]]:
    """
    What was entered since an instant, what was taken back, and the last hour meter that still stands. Pure.

    A wrong hour meter is found out days later, by one that does not fit it; it must be there to take back.
    """
    gone = {e["content"]["of"] for e in entered if e["kind"] == "take_back"}
    meters = [e for e in entered if e["kind"] == "meter_reading" and e["entry_id"] not in gone]
    last = max(meters, key=lambda e: us(e["made_at"]) or 0, default=None)
    return [
        e for e in entered if e is last or e["kind"] == "take_back" or (us(e["made_at"]) or 0) >= since_us
    ]


def entered_lately(
    entered: Sequence[Mapping[str, Any]],
    changes: Sequence[Mapping[str, Any]],
    gone: Sequence[Mapping[str, Any]],
    housing: str,
    since_us: int,
) -> list[dict[str, Any]]:
    """
    What was entered of a housing since an instant, newest first, each with its content.

    entered : of its machine, as `GET /v1/entries` answers. changes : of the housing's elements, each with
    what the readings say of it; those that came another way are listed too. gone : changes that stand here no
    more. One that was taken back, or corrected to another machine, stays on the list, with who did that and
    when. Pure.
    """
    of_id = {change["entry_id"]: change for change in changes}
    gone_of_id = {one["entry_id"]: one for one in gone}
    back = {e["content"]["of"]: _back(e) for e in entered if e["kind"] == "take_back"}
    lines = [
        _line(
            entry,
            of_id.pop(entry["entry_id"], None),
            gone_of_id.pop(entry["entry_id"], None) or back.get(entry["entry_id"]),
            back.get(entry["entry_id"]),
        )
        for entry in entered
        if entry["kind"] not in ("take_back", "correction") and _is_of(entry, housing)
    ]
    lines += [
        _line_of_change(change) for change in of_id.values() if (us(change["entered_at"]) or 0) >= since_us
    ]
    lines += [_line_of_gone(one) for one in gone_of_id.values() if (us(one["at"]) or 0) >= since_us]
    return sorted(lines, key=lambda line: us(line["at"]) or 0, reverse=True)


def _is_of(entry: Mapping[str, Any], housing: str) -> bool:
    """The hour meter is the machine's, whichever of its housings is visited."""
    own: str = (entry["content"] or {}).get("housing", DEFAULT_HOUSING)
    return own == housing or bool(entry["kind"] == "meter_reading")


def _back(entry: Mapping[str, Any]) -> dict[str, Any]:
    """An entry that takes another back, as what is said of the other."""
    said = {"who": entry["who"], "at": entry["made_at"], "entry_id": entry["entry_id"]}
    return said | {"by_name": None, "because": None, "to_housing": None}


def _line(
    entry: Mapping[str, Any],
    change: Mapping[str, Any] | None,
    gone: Mapping[str, Any] | None,
    back: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """gone : who took the entry from here, when and why. back : the entry that took it back."""
    is_gone = gone is not None or (entry["kind"] == "element_change" and change is None)
    return {
        "kind": entry["kind"],
        "entry_id": entry["entry_id"],
        "at": entry["made_at"],
        "done_at": _done_at(entry, change),
        "who": entry["who"],
        "content": entry["content"] or {},
        "change": change,
        "is_taken_back": is_gone,
        "gone": gone,
        "taken_back_under": None if back is None else back["entry_id"],
        "may_be_taken_back": entry["kind"] in TAKEN_BACK and not is_gone,
    }


def _done_at(entry: Mapping[str, Any], change: Mapping[str, Any] | None) -> str | None:
    """When work was done, as who entered it gave it; None: as it was entered."""
    given: str | None = (entry["content"] or {}).get("changed_at") if change is None else change["changed_at"]
    away_us = abs((us(given) or 0) - (us(entry["made_at"]) or 0))
    return given if given is not None and away_us >= SAME_US else None


def _line_of_change(change: Mapping[str, Any]) -> dict[str, Any]:
    """A change that came another way than by an entry."""
    who = change["by_name"] or change["who"]
    entry = {"kind": "element_change", "entry_id": change["entry_id"], "made_at": change["entered_at"]}
    return _line(entry | {"who": who, "content": {}}, change, None)


def _line_of_gone(gone: Mapping[str, Any]) -> dict[str, Any]:
    """A change that came another way than by an entry, and stands here no more."""
    content = {"what": gone["what"], "changed_at": gone["changed_at"]}
    entry = {"kind": "element_change", "entry_id": gone["entry_id"], "made_at": gone["entered_at"]}
    return _line(entry | {"who": gone["entered_by"], "content": content}, None, gone)
