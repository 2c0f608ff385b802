"""
The fleet: every housing, most urgent first, with what to do and how sure that is.

Its JSON twin is `GET /v1/fleet` with the same filters.
Leaves to others: what is known and in which order (`ingest.api.routes.restriction`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from typing import Annotated, Any

from fastapi import Depends, Request, Response
from markupsafe import Markup

from cleanside.gateway.units import own_name
from cleanside.ingest.analysis.coverage import LATE_S
from cleanside.ingest.api.routes.paging import PAGE, Page, paged
from cleanside.ingest.api.routes.restriction import URGENCY, Filter, FleetFilter, fleet_of
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.api.routes.spreadsheets import Separator
from cleanside.ingest.console.drawing import CALENDAR_DAYS
from cleanside.ingest.console.formats import DAY_S, GAUGE_DECIMALS, Formats
from cleanside.ingest.console.indicator_words import indicator_apart
from cleanside.ingest.console.laid_up_words import is_ahead, laid_up_said
from cleanside.ingest.console.plan_words import is_asked, plan_chance
from cleanside.ingest.console.rendering import address_with, render, sayer_of
from cleanside.ingest.console.resting_words import resting_said
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.said_words import caution_of, entry_said, said
from cleanside.ingest.console.shop_page import names_of
from cleanside.ingest.console.take_away import TakenAway, dates, local, plain
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.restriction.verdict.assess import LOOK
from cleanside.ingest.restriction.verdict.trend import TREND_STEPS
from cleanside.ingest.store.keys import Key

router = page_router()

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
#: what the headline counts as due
DUE = ("over", "due", "suspect", "plan", "planned", "planned_late")
#: states whose next step stands whatever was planned
URGENT = frozenset({"over", "due", "suspect"})


@router.get("/fleet")
def get_fleet_page(
    request: Request,
    resources: R,
    key: Reader,
    page: Annotated[Page, Depends(paged(PAGE, PAGE))],
    wanted: Filter,
) -> Response:
    """The fleet as a table of sentences, rulers and dates."""
    known = fleet_of(request, resources, key, page, wanted, with_trend=True, with_evidence=False)
    say = sayer_of(request, key)
    calendar, name_of = Calendar(say.formats), WhoNames(resources.reading, key, say)
    return render(
        request,
        "fleet.html",
        key=key,
        known=known,
        wanted=wanted,
        is_filtered=wanted != FleetFilter(),
        states=URGENCY,
        is_first=page.is_first,
        next_page=known["next"] and address_with(request, cursor=known["next"]),
        rows=[row_of(document, say, calendar, name_of) for document in known["housings"]],
        weeks=calendar.weeks,
        summary=list(summary_of(say, known)),
        names=names_of(get_shop(resources, key)),
        unit=viewer_of(request, key).list_unit,
        units=GAUGE_DECIMALS,
    )


@router.get("/fleet.csv")
def get_fleet_file(
    request: Request, resources: R, key: Reader, wanted: Filter, separator: Separator = "comma"
) -> Response:
    """The fleet to take away, for a spreadsheet: all rows that the filters leave."""
    say = sayer_of(request, key)
    rows = (file_row(say, document) for document in every_housing(request, resources, key, wanted))
    return FLEET_FILE.answer(say, rows, separator)


def every_housing(request: Request, resources: R, key: Key, wanted: FleetFilter) -> Iterator[dict[str, Any]]:
    """Every housing that the filters leave, most urgent first."""
    whole = fleet_of(request, resources, key, Page.whole(), wanted, with_trend=False, with_evidence=False)
    yield from whole["housings"]


# ---------------------------------------------------------------- what a row shows


class Calendar:
    """Four weeks from the last Monday on, in the viewer's zone."""

    def __init__(self, formats: Formats) -> None:
        today = formats.start_of_day(formats.now_s)
        self._monday = today - timedelta(days=today.weekday())
        starts = [self._monday + timedelta(weeks=week) for week in range(CALENDAR_DAYS // 7)]
        self.weeks = [formats.date(start.timestamp()) for start in starts]
        self._formats = formats

    def days(self, at: str | None) -> float:
        """Where an instant lies. [days from the Monday]; None: beyond what a calendar can say."""
        if at is None:
            return float("inf")
        return (self._formats.moment(at) - self._monday).total_seconds() / DAY_S


def row_of(
    document: Mapping[str, Any], say: Sayer, calendar: Calendar, name_of: Callable[[str], str]
) -> dict[str, Any]:
    """
    What one row shows, from what is known of a housing.

    say : in the unit of the list. name_of : what people call who made an entry.
    """
    return {
        "known": document,
        "state": document["state_form"],
        "address": machine_address(document),
        "advice": advice_said(say, document),
        "caution": caution_of(say, document["advice_code"]),
        "next": next_step(say, document),
        "questions": [_question_said(say, asked, name_of) for asked in asked_of(document)],
        "span": span_of(document, calendar),
        "apart": indicator_apart(say, document),
        "trend": trend_of(document, say.formats),
        "late_s": late_s(document, say),
        "resting": resting_said(say, document["rests_on_entry"]),
        "laid_up": laid_up_said(say, document["laid_up"]),
        "silence": document["quiet_because"] and say(f"said.silence.{document['quiet_because']}"),
    }


def unit_of(document: Mapping[str, Any]) -> str | None:
    """The unit of the gauge: that of the limit as entered; None: no limit is entered."""
    limit = document["terminal_restriction"]
    return None if limit is None else own_name(limit["unit"], "restriction")


#: states in which the data cannot tell
UNJUDGED = frozenset({"silent", "running-in"})


def advice_of(document: Mapping[str, Any]) -> str:
    """The advice, as the key of its words: where no monitor sits, there is nothing to wait for."""
    is_unwatched = document["no_monitor"] is not None and document["state"] in UNJUDGED
    return "advice_no_monitor" if is_unwatched else str(document["advice_code"])


def advice_said(say: Sayer, document: Mapping[str, Any]) -> Markup:
    """The advice in a sentence; where it is the planned change, with its day."""
    day = planned_day(document)
    on = "" if day is None else say.formats.day(f"{day}T12:00:00Z")
    return say(f"said.{advice_of(document)}", on=on)


def has_question(document: Mapping[str, Any]) -> bool:
    """True where a person has something to answer."""
    asks = asked_of(document) or document["changes_found"] or document["advice_code"] == LOOK
    return bool(asks) or is_asked(document["planned"])


def asked_of(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What a person is asked in a sentence: entries and a lay-up that the readings contradict."""
    lay_up = document["worked_laid_up"]
    return [*document["questions"], *([] if lay_up is None else [{"said": lay_up, "same_work": None}])]


def _question_said(say: Sayer, asked: Mapping[str, Any], name_of: Callable[[str], str]) -> Markup:
    """asked : of `asked_of`; only beside an entry there may be another of the same work."""
    return said(say, asked["said"]) if asked["same_work"] is None else entry_said(say, asked, name_of)


def next_step(say: Sayer, document: Mapping[str, Any]) -> Markup:
    """
    What to do next, in a few words.

    What does not fit together comes first: dust may reach the engine. Then a question, what is urgent, a
    lay-up, what is planned.
    """
    return Markup(" ").join(_next_steps(say, document))


def _next_steps(say: Sayer, document: Mapping[str, Any]) -> Iterator[Markup]:
    state, asks = document["state"], has_question(document)
    laid_up = laid_up_said(say, document["laid_up"])
    stands = laid_up is not None and not is_ahead(say.formats, document["laid_up"])
    resting = resting_said(say, document["rests_on_entry"], is_short=True)
    planned = None if stands else planned_day(document)
    looks = document["advice_code"] == LOOK
    if state == "suspect" or looks:
        yield Markup("<strong>{}</strong>").format(say(f"fleet.next.{advice_of(document)}"))
    if asks and not looks:
        yield Markup("<strong>{}</strong>").format(say("fleet.next.question"))
    if document["without_key"]:
        yield Markup("<strong>{}</strong>").format(say("fleet.next.key"))
    is_urgent = state in URGENT - {"suspect"} and not stands
    if looks:
        return
    if is_urgent or (state not in URGENT and not (asks or planned or laid_up or resting)):
        yield say(f"fleet.next.{advice_of(document)}")
    if resting is not None:
        yield resting
    if laid_up is not None:
        yield laid_up
    if planned is not None:
        yield say("fleet.next.advice_planned", on=say.formats.day(f"{planned}T12:00:00Z"))
        if (chance := plan_chance(say, document["planned"], state)) is not None:
            yield Markup("<strong>{}</strong>").format(chance)


def planned_day(document: Mapping[str, Any]) -> str | None:
    """The day of a change that counts, ISO 8601; None: none is planned, or a person is asked about it."""
    planned = document["planned"]
    return str(planned["on"]) if planned is not None and planned["state"] == "open" else None


def machine_address(document: Mapping[str, Any]) -> str:
    """The page of a housing's machine."""
    housing = "" if document["housing"] == "main" else f"?housing={document['housing']}"
    return f"/machines/{document['machine']}{housing}"


def span_of(document: Mapping[str, Any], calendar: Calendar) -> tuple[float, float, float] | None:
    """Early, likely and late, in days of the calendar; None: no date is stated."""
    due = document["due_at"]
    if due is None:
        return None
    return calendar.days(due["p10"]), calendar.days(due["p50"]), calendar.days(due["p90"])


def trend_of(document: Mapping[str, Any], formats: Formats) -> dict[str, Any] | None:
    """What the small trend of the ninety days before now is drawn from; None: nothing was read."""
    known, limit = document["trend"], document["terminal_restriction"]
    if known is None:
        return None
    step_s = known["step_s"]
    first = int(formats.now_s // step_s) - TREND_STEPS + 1
    start = int(formats.moment(known["start_at"]).timestamp() // step_s)
    levels = dict(enumerate(known["restriction_pa"], start=start - first))
    changes = (int(formats.moment(at).timestamp() // step_s) - first for at in known["changes_at"])
    return {
        "levels_pa": tuple(levels.get(step) for step in range(TREND_STEPS)),
        "changes": tuple(step for step in changes if 0 <= step < TREND_STEPS),
        "limit_pa": limit and limit["restriction_pa"],
        "clean_pa": document["clean_restriction_pa"],
    }


def late_s(document: Mapping[str, Any], say: Sayer) -> float | None:
    """How long after it was taken the newest reading came; None: live, or not known. [s]"""
    heard, read = document["last_heard_at"], document["last_reading_at"]
    if heard is None or read is None:
        return None
    seconds = say.formats.seconds_ago(read) - say.formats.seconds_ago(heard)
    return seconds if seconds > LATE_S else None


# ---------------------------------------------------------------- in one sentence


def summary_of(say: Sayer, known: Mapping[str, Any]) -> Iterator[Any]:
    """What is wrong, then what can wait: one sentence each, the first is the weightiest."""
    counts = dict(known["by_state"])
    if counts.get("plan"):  # what has its day already is not to be planned
        in_time = known["with_day"] - known["late_day_by_state"].get("plan", 0)
        counts |= {"plan": counts["plan"] - known["with_day"], "planned": in_time}
    counts["planned_late"] = sum(known["late_day_by_state"].values())
    for state in ("over", "due", "suspect", "planned_late", "plan", "planned", "silent"):
        if counts.get(state):
            yield say(f"fleet.summary.{state}", n=counts[state])
    if known["count"] and not any(counts.get(name) for name in DUE):
        yield say("fleet.summary.nothing_due")


# ---------------------------------------------------------------- to take away

FLEET_FILE = TakenAway(
    file="fleet",
    words="fleet.csv",
    columns=(
        *("machine", "display_name", "housing", "kind", "state", "used", "now", "limit", "unit"),
        *("early", "likely", "late", "last_received", "last_measured", "questions", "advice"),
        *("dates_rest_on", "site", "crew", "planned_day", "part", "next_step", "now_kpa", "limit_kpa"),
    ),
    numbers=frozenset({"used", "now", "limit", "now_kpa", "limit_kpa"}),
)


def file_row(say: Sayer, document: Mapping[str, Any]) -> dict[str, str]:
    """One housing in the columns of the file: numbers with a point, as programs read them."""
    unit, limit = unit_of(document) or "kPa", document["terminal_restriction"]
    level_pa = document["restriction_pa"]
    return {
        "machine": document["machine"],
        "display_name": document["display_name"] or "",
        "housing": document["housing"],
        "kind": document["kind"] or "",
        "state": say.plain(f"state.{document['state_form']}"),
        "used": plain(document["share_used_percent"], 0),
        "now": plain(say.formats.in_unit(level_pa, unit), 3),
        "limit": "" if limit is None else plain(limit["value"], 3),
        "unit": unit,
        **dates(say, document),
        "last_received": local(say, document["last_heard_at"]),
        "last_measured": local(say, document["last_reading_at"]),
        "questions": str(len(document["questions"]) + len(document["changes_found"])),
        "advice": advice_said(say.in_unit(unit), document).unescape(),
        "dates_rest_on": " ".join(filter(None, dates_said(say, document))),
        "site": document["site"] or "",
        "crew": document["crew"] or "",
        "planned_day": planned_day(document) or "",
        "part": document["primary_part"] or "",
        "next_step": next_step(say, document).striptags(),
        "now_kpa": plain(say.formats.in_unit(level_pa, "kPa"), 3),
        "limit_kpa": "" if limit is None else plain(say.formats.in_unit(limit["restriction_pa"], "kPa"), 3),
    }


def dates_said(say: Sayer, document: Mapping[str, Any]) -> Iterator[str]:
    """What to mind of the dates: what they rest on, and where the indicator is days apart; "": nothing."""
    if document["limit_in_doubt"]:
        yield say.plain("fleet.limit_doubted")
    if document["element_in_doubt"]:
        yield say.plain("fleet.element_doubted")
    yield rest_on_said(say, document)
    yield indicator_apart(say, document, is_plain=True)


def rest_on_said(say: Sayer, document: Mapping[str, Any]) -> str:
    """What to mind of the dates of an element that is too new to judge; "" for others."""
    found = document["dates_rest_on"]
    return "" if found in (None, "element") else say.plain(f"state.rest_on.{found}")
