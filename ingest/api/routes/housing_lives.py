"""GET /v1/machines/{machine}/lives: the element lives of a housing, and its elements with their cleanings."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Query, Request

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.api.routes.described_lives import LivesAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, Reader, find_housing
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, PathName, R, problems, router_of, text, text_s
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.restriction import Cleaning, ElementAccount, LifeSpan, accounts_of

router = router_of("restriction")


@router.get(
    "/v1/machines/{machine}/lives",
    summary="Element lives",
    response_model=LivesAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_lives(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
) -> dict[str, Any]:
    """Every element life of a housing, in time order: when, how it began and ended, levels and hours."""
    with resources.reading() as connection:
        housing_row = find_housing(connection, key, machine, housing)
        seen = services_of(request).judge(connection, key).view(housing_row)
    return {
        "machine": machine,
        "housing": housing,
        "now": text_s(seen.assessment.now_s),
        "analysed_through": text(seen.analysed_through_us),
        "lives": [_life(life) for life in seen.assessment.study.lives],
        "elements": [_element(account) for account in accounts_of(seen.assessment.study.lives)],
        "safety_element": safety_document(seen),
        "most_cleanings": seen.papers.housing.most_cleanings,
        "cautions": shown_cautions("cleaning"),
    }


def _life(life: LifeSpan) -> dict[str, Any]:
    return {
        "start_at": text_s(life.start_s),
        "start_by": text_s(life.start_by_s),
        "end_at": text_s(life.end_s),
        "began": life.began,
        "began_by": life.began_by or None,
        "ended": life.ended,
        "sure": life.sure,
        "hours": life.hours,
        "level_before_pa": life.level_before_pa,
        "level_start_pa": life.level_start_pa,
        "level_end_pa": life.level_end_pa,
    }


def _element(account: ElementAccount) -> dict[str, Any]:
    return {
        "element": account.number,
        "start_at": text_s(account.start_s),
        "start_by": text_s(account.start_by_s),
        "end_at": text_s(account.end_s),
        "from_new": account.from_new,
        "hours": account.hours,
        "ended": account.ended,
        "cleanings": [cleaning_document(cleaning) for cleaning in account.cleanings],
    }


def cleaning_document(cleaning: Cleaning) -> dict[str, Any]:
    """A cleaning and what it gave back."""
    levels = cleaning.cleaned
    gave_back = None if levels is None else levels.gave_back
    return {
        "cleaned_at": text_s(cleaning.at_s),
        "cleaned_by": text_s(cleaning.by_s),
        "known_by": "entered" if cleaning.entered else "found",
        "sure": cleaning.sure,
        "hours_before": cleaning.hours_before,
        "hours_after": cleaning.hours_after,
        "ended": cleaning.ended,
        "level_before_pa": None if levels is None else levels.before_pa,
        "level_after_pa": None if levels is None else levels.after_pa,
        "clean_restriction_pa": None if gave_back is None else gave_back.clean_pa,
        "given_back_percent": None if gave_back is None else 100.0 * gave_back.share,
        "given_back_low_percent": None if gave_back is None else 100.0 * gave_back.low,
        "given_back_high_percent": None if gave_back is None else 100.0 * gave_back.high,
    }


def safety_document(seen: View) -> dict[str, Any]:
    """What was worked since the safety element of a housing was entered last."""
    found = seen.assessment.study.safety_element
    return {
        "part": seen.papers.housing.safety_part,
        "changed_at": text_s(found.changed_s),
        "main_changes_since": found.changes,
        "hours_since": found.hours,
        "is_usual_now": found.is_usual_now,
    }
