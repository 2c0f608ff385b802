"""GET /v1/digest: what a planner's message says now, by site."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Query, Request

from cleanside.ingest.analysis.assessment import Judge, View, gauge_unit
from cleanside.ingest.api.routes.described_messages import DigestAnswer
from cleanside.ingest.api.routes.element_changes import said_document
from cleanside.ingest.api.routes.matters import heard, matter_document
from cleanside.ingest.api.routes.on_list import on_list
from cleanside.ingest.api.routes.paper_shapes import ZoneName, planned_document
from cleanside.ingest.api.routes.restriction import asked_of_lay_up
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R, router_of, text_s
from cleanside.ingest.api.routes.shop import ShopReader
from cleanside.ingest.api.routes.work import list_days, work_document
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.store import shop
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.message_choices import DAILY, WEEKLY

router = router_of("messages")

MOST_OF_SITE = 40  # of one list of a site; the page has the rest; chosen
DAY_S = 86_400
#: period -> back to here changes are shown as done [s]
DONE_SINCE_S = {DAILY: DAY_S, WEEKLY: 7 * DAY_S}


@router.get("/v1/digest", summary="What is due, by site", response_model=DigestAnswer)
def get_digest(
    request: Request,
    resources: R,
    key: ShopReader,
    zone: Annotated[ZoneName, Query(description="where days begin and end")] = "UTC",
) -> dict[str, Any]:
    """The daily digest as of now: to change, stands later, to bring, to order, open questions, done."""
    with resources.reading() as connection:
        judge = services_of(request).judge(connection, key)
        return digest_document(connection, judge, key, zone=zone, period=DAILY)


def digest_document(
    connection: sa.Connection, judge: Judge, key: Key, *, zone: str, period: str
) -> dict[str, Any]:
    """What the digest of a person says now. period : daily or weekly."""
    days = list_days(judge.now_us / 1e6, None, zone)
    every = on_list(connection, judge, key, days)
    work = work_document(connection, judge, key, every, days, done_s=DONE_SINCE_S[period])
    questions = [question for seen in every.values() for question in _of_housing(seen.view)]
    names = {row.name: row.display_name for row in shop.groups_of(connection, "site", key.owner_id)}
    jobs = [{**job, "options": []} for job in work["jobs"]]
    return {
        "now": work["now"],
        "zone": work["zone"],
        "day": work["today"],
        "before": work["before"],
        "jobs_count": len(jobs),
        "questions_count": len(questions),
        "sites": _by_site(
            names, {"jobs": jobs, "later": work["later"], "questions": questions, "done": work["done"]}
        ),
        "carries": [_carry_document(names, one) for one in work["carries"]],
        "orders": [part for part in work["parts"] if part["to_order"]],
        "matters": [matter_document(matter) for matter in heard(connection, key)],
    }


def says_something(digest: Mapping[str, Any]) -> bool:
    """False for a digest in which nothing is due, open or done."""
    return bool(digest["sites"] or digest["orders"] or digest["matters"])


def _by_site(
    names: Mapping[str, str | None],
    lists: Mapping[str, Sequence[Mapping[str, Any]]],
) -> list[dict[str, Any]]:
    """What is said of each site that something is said of; machines without a site last."""
    found = {entry["site"] for entries in lists.values() for entry in entries}
    ordered = sorted(found, key=lambda site: (site is None, site or ""))
    return [{"site": site, "display_name": names.get(site or "")} | _cut(lists, site) for site in ordered]


def _cut(lists: Mapping[str, Sequence[Mapping[str, Any]]], site: str | None) -> dict[str, Any]:
    """The lists of one site, at most MOST_OF_SITE of each, and how many more there are."""
    cut: dict[str, Any] = {}
    for name, entries in lists.items():
        here = [entry for entry in entries if entry["site"] == site]
        cut |= {name: here[:MOST_OF_SITE], f"{name}_more": max(0, len(here) - MOST_OF_SITE)}
    return cut


def _carry_document(names: Mapping[str, str | None], carry: Mapping[str, Any]) -> dict[str, Any]:
    """What is brought from site to site, with what people call both."""
    called = {f"{place}_display_name": names.get(carry[place]) for place in ("site", "from_site")}
    return {**carry, **called}


def _of_housing(view: View) -> Iterable[dict[str, Any]]:
    """What a person is asked about a housing: entries, a lay-up, found changes, a plan whose day passed."""
    study, planned = view.assessment.study, planned_document(view)
    for entry in study.questions:
        yield _question(view, said=said_document(of_entry(entry)))
    if (asked := asked_of_lay_up(view.assessment)) is not None:
        yield _question(view, said=asked)
    for at_s in study.changes_found_s:
        yield _question(view, found_at=text_s(at_s))
    if planned is not None and planned["state"] in ("missed", "overtaken"):
        yield _question(view, planned=planned)


def _question(view: View, **asked: Any) -> dict[str, Any]:
    about = {
        "machine": view.housing.machine,
        "display_name": view.housing.display_name,
        "housing": view.housing.name,
        "site": view.papers.machine.site,
        "gauge_unit": gauge_unit(view.terminal),
    }
    return about | {"said": None, "found_at": None, "planned": None} | asked
