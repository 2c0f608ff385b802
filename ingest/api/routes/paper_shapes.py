"""How what the shop knows of a machine looks in answers; calendar days as bodies and addresses have them."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, tzinfo
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.api.routes.names import DAY_PATTERN
from cleanside.ingest.api.routes.shared import text
from cleanside.ingest.errors import WrongField
from cleanside.ingest.shop.day_asked import day_start_s
from cleanside.ingest.shop.planned import overtaken_by_us, state_of_plan
from cleanside.ingest.shop.work_list import chance_by_risk, is_laid_up
from cleanside.ingest.store.papers import MachinePapers


def _as_day(written: str) -> str:
    try:
        date.fromisoformat(written)
    except ValueError:
        raise WrongField("not_a_calendar_day", written=written) from None
    return written


def _as_zone(written: str) -> str:
    try:
        ZoneInfo(written)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise WrongField("not_a_time_zone", written=written) from None
    return written


#: ISO 8601, a calendar day
Day = Annotated[str, Field(pattern=DAY_PATTERN, examples=["2026-12-04"]), AfterValidator(_as_day)]
#: of the IANA time zone database
ZoneName = Annotated[
    str,
    Field(pattern=r"^[A-Za-z][A-Za-z0-9+_/-]{0,63}$", examples=["Europe/Vienna"]),
    AfterValidator(_as_zone),
]


def end_of_day_us(day: str, zone: tzinfo) -> int:
    """When a day is over where somebody is. [us]"""
    after = date.fromisoformat(day) + timedelta(days=1)
    return round(datetime.combine(after, time(), zone).timestamp() * 1_000_000)


def service_document(papers: MachinePapers) -> dict[str, Any] | None:
    """The next scheduled service; None: none is entered."""
    if papers.service is None and papers.service_meter_h is None and papers.service_on is None:
        return None
    return {"service": papers.service, "meter_hours": papers.service_meter_h, "on": papers.service_on}


def laid_up_document(papers: MachinePapers) -> dict[str, Any] | None:
    """From and until when a machine is laid up; None: it is not."""
    if papers.laid_up_from is None:
        return None
    return {"from": papers.laid_up_from, "until": papers.laid_up_until}


def chance_before_end(seen: View, passes_us: int) -> float | None:
    """
    Chance that its limit is reached before a day, as the work list says it, 0 to 1; None: no dates.

    passes_us : when the day is over. [us since 1970 UTC]
    """
    found = seen.assessment
    if found.state == "over":
        return 1.0
    return None if found.risk is None else chance_by_risk(found.risk, day_start_s(passes_us))


def planned_document(seen: View) -> dict[str, Any] | None:
    """The planned change of a housing with what became of it; None: none is planned."""
    planned = seen.papers.planned
    if planned is None:
        return None
    study, now_us = seen.assessment.study, round(seen.assessment.now_s * 1_000_000)
    overtaken_us = overtaken_by_us(planned, study, now_us)
    return {
        "on": planned.planned_on,
        "by": planned.who,
        "planned_at": text(planned.planned_us),
        "note": planned.note,
        "state": state_of_plan(planned, study, now_us),
        "chance_at_limit_before": chance_before_end(seen, planned.passes_us),
        "in_lay_up": is_laid_up(seen.papers, date.fromisoformat(planned.planned_on)),
        "overtaken_by": None if overtaken_us is None else text(overtaken_us),
        "kept_after": None if planned.kept_after_us is None else text(planned.kept_after_us),
    }
