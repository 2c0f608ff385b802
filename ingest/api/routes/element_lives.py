"""GET /v1/element-lives: how many hours elements reach before their limit, by part number and by site."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any

from fastapi import Depends, Query, Request

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.api.routes.described_lives import ElementLivesAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.housing_lives import cleaning_document
from cleanside.ingest.api.routes.restriction import views_of
from cleanside.ingest.api.routes.shared import Name, R, needs, router_of, text_s
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.restriction import (
    LEAST_LIVES,
    LEAST_REACHED,
    SURVIVAL_CONFIDENCE,
    PartLives,
    ReachedLife,
    SiteWear,
    UsedElement,
    accounts_of,
    compared,
    wear_by_site,
)
from cleanside.ingest.store import element_changes, shop
from cleanside.ingest.store.keys import Key

router = router_of("restriction")

Reader = Annotated[Key, Depends(needs("fleet:read"))]

BEGAN_NEW = "change"
AT_LIMIT = "at terminal"
SAME_S = 1.0  # the instants of an entry and of the life that it begins


@router.get(
    "/v1/element-lives",
    summary="Element parts compared by the hours they reach",
    description=(
        "Kaplan-Meier curves over the operating hours of elements from new on. A life that is still running, "
        "or was ended before its limit, is censored. The entry that began a life says which part it was; "
        "where none does, the papers of the housing say it (`lives_by_papers` of them). "
        f"With fewer than {LEAST_LIVES} lives, or {LEAST_REACHED} that reached the limit, there is no "
        "curve. Machines work in different dust: compare parts on machines of one kind and site. "
        "By site: hours for the whole way from clean to the limit, from all that was seen of each element."
    ),
    response_model=ElementLivesAnswer,
)
@example(query={"site": "{site}"})
def get_element_lives(
    request: Request,
    resources: R,
    key: Reader,
    kind: Annotated[Name | None, Query(description="machines of this kind alone")] = None,
    site: Annotated[Name | None, Query(description="machines of this site alone")] = None,
) -> dict[str, Any]:
    """The lives of the machines that the key may see, by part number of the element; most lives first."""
    return lives_answer(resources, key, views_of(request, resources, key, resources.clock()), kind, site)


def lives_answer(
    resources: R, key: Key, every: Sequence[View], kind: str | None, site: str | None
) -> dict[str, Any]:
    """The answer from what is known of all machines. kind, site : of those that count; None: any."""
    views = [
        seen
        for seen in every
        if kind in (None, seen.housing.kind) and site in (None, seen.papers.machine.site)
    ]
    with resources.reading() as connection:
        parts = element_changes.parts_of_owner(connection, key.owner_id)
        known = {part.number: part.description for part in shop.parts_of(connection, key.owner_id)}
    lives = [life for seen in views for life in _lives(seen, parts)]
    by_papers = Counter(life.part for life, is_by_papers in lives if is_by_papers)
    found = compared(life for life, _ in lives)
    return {
        "now": text_s(resources.clock() / 1e6),
        "confidence": SURVIVAL_CONFIDENCE,
        "least_lives": LEAST_LIVES,
        "least_reached": LEAST_REACHED,
        "parts": [_document(of_part, known, by_papers[of_part.part]) for of_part in found],
        "cleanings": _cleanings(views, parts),
        "cautions": shown_cautions("cleaning"),
        "sites": [_site_document(site) for site in wear_by_site(u for seen in views for u in _used(seen))],
    }


def _lives(seen: View, parts: Mapping[tuple[int, str], str]) -> Iterator[tuple[ReachedLife, bool]]:
    """The lives of a housing that were seen from a new element on; True: its papers say which part it was."""
    for life in seen.assessment.study.lives:
        if life.began == BEGAN_NEW:
            entered, in_papers = _part_of(seen, life.start_s, parts), seen.papers.housing.primary_part or ""
            reached = life.ended == AT_LIMIT
            found = ReachedLife(part=entered or in_papers, hours=life.hours, reached_limit=reached)
            yield found, bool(in_papers and not entered)


def _used(seen: View) -> Iterator[UsedElement]:
    """What was seen of each element of a housing, where clean level and limit are known."""
    study = seen.assessment.study
    if study.clean_pa is None or study.terminal_pa is None or study.clean_pa >= study.terminal_pa:
        return
    span_pa = study.terminal_pa - study.clean_pa
    for life in study.lives:
        if life.level_start_pa is not None and life.level_end_pa is not None:
            yield UsedElement(
                site=seen.papers.machine.site or "",
                machine=seen.housing.machine,
                hours=life.hours,
                begin=0.0 if life.began == BEGAN_NEW else (life.level_start_pa - study.clean_pa) / span_pa,
                end=(life.level_end_pa - study.clean_pa) / span_pa,
                from_new=life.began == BEGAN_NEW,
            )


def _site_document(found: SiteWear) -> dict[str, Any]:
    return {
        "site": found.site or None,
        "machines": found.machines,
        "hours_seen": found.hours_seen,
        "elements_used": found.elements_used,
        "used_percent": 100.0 * found.used_share,
        "hours_percent": 100.0 * found.hours_share,
        "new_elements": found.new_elements,
        "hours_an_element": found.hours_an_element,
        "low": found.low,
        "high": found.high,
    }


def _cleanings(views: Sequence[View], parts: Mapping[tuple[int, str], str]) -> list[dict[str, Any]]:
    """Every cleaning, newest first."""
    found = [
        {
            "machine": seen.housing.machine,
            "display_name": seen.housing.display_name,
            "housing": seen.housing.name,
            "site": seen.papers.machine.site,
            "part": _part_of(seen, element.start_s, parts) or seen.papers.housing.primary_part or None,
            "element": element.number,
            "element_start_at": text_s(element.start_s),
            "element_end_at": text_s(element.end_s),
            "element_hours": element.hours,
            "cleaning": number,
            **cleaning_document(cleaning),
        }
        for seen in views
        for element in accounts_of(seen.assessment.study.lives)
        for number, cleaning in enumerate(element.cleanings, 1)
    ]
    return sorted(found, key=lambda one: (one["cleaned_at"], one["machine"], one["housing"]), reverse=True)


def _part_of(seen: View, start_s: float, parts: Mapping[tuple[int, str], str]) -> str:
    """The part number of the entry that began a life at that instant; "" where none says it."""
    for entry in seen.assessment.study.entries:
        begins = entry.begins_life and entry.used_s is not None and abs(entry.used_s - start_s) < SAME_S
        if begins and (part := parts.get((seen.housing.id, entry.entry.name))):
            return part
    return ""


def _document(found: PartLives, known: Mapping[str, str], by_papers: int) -> dict[str, Any]:
    curve = found.curve
    return {
        "part": found.part or None,
        "description": known.get(found.part) or None,
        "lives": found.lives,
        "lives_by_papers": by_papers,
        "reached_limit": found.reached,
        "hours_seen": found.hours_seen,
        "curve": None
        if curve is None
        else {
            "hours": list(curve.hours),
            "share": list(curve.share),
            "low": list(curve.low),
            "high": list(curve.high),
        },
    }
