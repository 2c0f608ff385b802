"""
What is seen on a visit, for the page and for the stream that keeps it up to date.

Leaves to others: what it means (`visit_sheet`), how it looks (`templates/visit*.html`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any, NamedTuple

import sqlalchemy as sa
from fastapi import Request

from cleanside.gateway.spot_checks import NOT_YET_SEEN, PASSED, Check
from cleanside.gateway.wire import parse_instant
from cleanside.ingest.analysis import acceptance_sheet
from cleanside.ingest.analysis.acceptance_sheet import Report
from cleanside.ingest.analysis.assessment import gauge_unit
from cleanside.ingest.analysis.newest_monitor import HOUR_US, began_us, fitted_last, seats_now
from cleanside.ingest.api.routes.housing_lives import safety_document
from cleanside.ingest.api.routes.machines import find_housing
from cleanside.ingest.api.routes.newest import newest_document
from cleanside.ingest.api.routes.paper_shapes import planned_document
from cleanside.ingest.api.routes.restriction import document_of
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.machine_said import MachineSaid, machine_said
from cleanside.ingest.console.reason_words import reason_said
from cleanside.ingest.console.rendering import may, sayer_of, templates
from cleanside.ingest.console.safety_words import safety_said
from cleanside.ingest.console.said_words import entry_said
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.visit_entered import entered_at
from cleanside.ingest.console.visit_sheet import (
    SheetWords,
    asked_of,
    decimals_of,
    in_order,
    signal_of,
    stay_of,
)
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.store import element_changes
from cleanside.ingest.store.fleet import Assignment, HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.newest import state_of

State = tuple[object, ...]

DAY_US = 24 * HOUR_US
#: of a new installation the acceptance goes on for so long; after that a visit is a service (chosen)
NEW_US = 3 * DAY_US
INSTALLATION, SERVICE = "installation", "service"
#: work for which the housing is opened, and that of it which puts a clean element in
ELEMENT_WORK, CLEAN_WORK = frozenset({"new", "cleaned", "inspected"}), frozenset({"new", "cleaned"})

#: parts of the page that the stream keeps up to date -> template
PARTS = {
    "says": "machine_said.html",
    "stay": "visit_stay.html",
    "live": "visit_live.html",
    "link": "visit_link.html",
    "checks": "visit_checks.html",
    "entered": "visit_entered.html",
}


def see(request: Request, key: Key, machine: str, housing: str, job: str | None) -> dict[str, Any]:
    """What the templates name. Raises NotFound, Refused (404) for the housing."""
    resources = services_of(request).resources
    now_us = resources.clock()
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        chosen = job or usual_job(connection, found, now_us)
        work = _work_of_visit(connection, found, chosen, _start_of_day_us(request, key, now_us))
        view = services_of(request).judge(connection, key).view(found)
        study = view.assessment.study
        report = acceptance_sheet.report(
            connection,
            found,
            since_us=work.since_us,
            now_us=now_us,
            study=study,
            element_in_use=work.element_in_use,
            worked_on=work.worked_on,
        )
        newest = newest_document(connection, found, now_us, seats=_fitted(connection, found, now_us))
    entered = entered_at(request, key, machine, housing)
    own = {"job": chosen, "housing": found, "report": report, "entered": entered}
    own |= {"planned": planned_document(view), "papers": view.papers.housing}
    say = sayer_of(request, key).in_unit(gauge_unit(report.terminal))
    document = document_of(view)
    says = machine_said(say, document)
    name_of = WhoNames(resources.reading, key, say, has_handles=False)
    own |= {"safety": safety_said(say, safety_document(view))}
    own |= {"name_of": name_of, "machine_says": says, "verdict_of": partial(entry_said, say, name_of=name_of)}
    own |= {"judged": judged_of(document)}
    own |= {"no_monitor": document["no_monitor"], "without_key": document["without_key"]}
    return own | _shown(request, key, report, newest, says, asked_of(chosen, report.checks))


def judged_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """
    What the state goes by: the level at full flow, the limit [Pa; None: not known], and causes of mistrust.

    document : of the housing. A level that is in doubt judges nothing.
    """
    limit = document["terminal_restriction"]
    return {
        "level_pa": None if document["newest_in_doubt"] else document["restriction_pa"],
        "limit_pa": None if limit is None else limit["restriction_pa"],
        "causes": [suspicion["cause"] for suspicion in document["suspicions"]],
    }


def parts_of(request: Request, key: Key, machine: str, housing: str, job: str | None) -> dict[str, str]:
    """The parts of the page as they are now, in the viewer's words."""
    say = sayer_of(request, key)
    given = {
        "say": say,
        "format": say.formats,
        "viewer": viewer_of(request, key),
        "may": lambda permission: may(key, permission),
        "of_unit": say.formats.of_unit,
        "zone_name": say.formats.zone_name,
    }
    seen = given | see(request, key, machine, housing, job)
    return {part: templates().get_template(name).render(seen) for part, name in PARTS.items()}


def look_again(
    request: Request, key: Key, machine: str, housing: str, job: str | None, state: State | None
) -> tuple[State, dict[str, str] | None]:
    """The state now, and the parts; None: it is still that state, and nothing was worked out."""
    resources = services_of(request).resources
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        seats = seats_now(connection, found, resources.clock())
        now = state_of(connection, found.id, sorted({seat.device_id for seat in seats}))
    return now, None if now == state else parts_of(request, key, machine, housing, job)


def usual_job(connection: sa.Connection, housing: HousingRow, now_us: int) -> str:
    """An installation where no device sits, or one that is new on the housing; else a service."""
    sitting = seats_now(connection, housing, now_us)
    began = [began_us(connection, seat) for seat in sitting]
    is_new = any(at_us is None or at_us > now_us - NEW_US for at_us in began)
    return INSTALLATION if is_new or not sitting else SERVICE


class _WorkOfVisit(NamedTuple):
    """What was done on this visit, as far as it decides which readings count."""

    #: readings measured from then on count; None: since the fitting
    since_us: int | None
    #: no new or cleaned element went in
    element_in_use: bool
    #: the housing was opened for it
    worked_on: bool = False


def _work_of_visit(
    connection: sa.Connection, housing: HousingRow, job: str, start_of_day_us: int
) -> _WorkOfVisit:
    """A service looks at today, and after work on the element at what was measured since."""
    if job == INSTALLATION:
        return _WorkOfVisit(None, element_in_use=False)
    entered = element_changes.changes_of(connection, housing.id)
    today = [c for c in entered if c.changed_us >= start_of_day_us and c.what in ELEMENT_WORK]
    since_us = max((c.changed_us for c in today), default=start_of_day_us)
    in_use = not any(c.what in CLEAN_WORK for c in today)
    return _WorkOfVisit(since_us, element_in_use=in_use, worked_on=bool(today))


def installation_of(request: Request, seen: Mapping[str, Any]) -> dict[str, Any] | None:
    """
    What a service does not ask again: checks that the installation showed, and those it left open.

    seen : of `see`. None: the page is of an installation, or no monitor sits there.
    """
    if seen["job"] == INSTALLATION or not seen["newest"]["devices"]:
        return None
    resources = services_of(request).resources
    with resources.reading() as connection:
        now_us = resources.clock()
        report = acceptance_sheet.report(connection, seen["housing"], since_us=None, now_us=now_us)
    asked = {check.check for check in seen["checks"]}
    rest = [check for check in report.checks if check.check not in asked]
    return {
        "since_s": report.since_us / 1e6,
        "passed": [check.check for check in rest if check.verdict == PASSED],
        "open": [check.check for check in rest if check.verdict == NOT_YET_SEEN],
    }


def _fitted(connection: sa.Connection, housing: HousingRow, now_us: int) -> list[Assignment]:
    """The seat that is checked; its live value is shown, not that of an older monitor beside it."""
    newest = fitted_last(connection, housing, now_us).newest
    return [] if newest is None else [newest]


def _start_of_day_us(request: Request, key: Key, now_us: int) -> int:
    """When the viewer's day began: what was seen since belongs to this visit."""
    return int(sayer_of(request, key).formats.start_of_day(now_us / 1e6).timestamp() * 1e6)


def _shown(
    request: Request,
    key: Key,
    report: Report,
    newest: Mapping[str, Any],
    says: MachineSaid,
    checks: Sequence[Check],
) -> dict[str, Any]:
    stay = stay_of(checks, is_held=says.is_held, has_monitor=bool(newest["devices"]))
    headline = f"visit.stay.{stay.word}"
    words = SheetWords(sayer_of(request, key), report.terminal)
    return {
        "words": words,
        "whole": WrittenDays(sayer_of(request, key).formats).of,
        "decimals_of": decimals_of,
        "unit": gauge_unit(report.terminal),
        "checks": in_order(checks),
        "stay": stay,
        "headline": sayer_of(request, key)(headline, n=stay.many, open=stay.open, state=says.state),
        # Who saw the first reading reads it again into the second.
        "limit_is_blind": any(check.seen.code == "limit_not_confirmed" for check in report.checks),
        "newest": newest,
        "reason_said": reason_said,
        "values": _values(newest),
        "signal": signal_of([(_s(p["at"]), p["signal_dbm"]) for p in newest["signal"]]),
        "made_s": report.looked_us / 1e6,
        "ends_s": (report.since_us + acceptance_sheet.WINDOW_US) / 1e6,
    }


def _values(newest: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Quantity -> (value in SI, instant in s); restriction also where it is measured as two pressures."""
    found = {shown["quantity"]: (shown["value"], _s(shown["at"])) for shown in newest["values"]}
    if "restriction" not in found and {"ambient_pressure", "intake_pressure"} <= found.keys():
        ambient, intake = found["ambient_pressure"], found["intake_pressure"]
        found["restriction"] = (ambient[0] - intake[0], min(ambient[1], intake[1]))
    return found


def _s(at: str) -> float:
    return parse_instant(at).us / 1e6
