"""
Element parts compared by the hours that they reach, as curves with intervals; few lives are said to be few.

Below stand the cleanings, and what each gave back; `/element-lives.csv` has all of them for a spreadsheet.
Its JSON twin is `GET /v1/element-lives` with the same filters.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from pydantic import BeforeValidator

from cleanside.ingest.api.routes.element_lives import get_element_lives, lives_answer
from cleanside.ingest.api.routes.restriction import views_of
from cleanside.ingest.api.routes.shared import Name, R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.api.routes.spreadsheets import Separator
from cleanside.ingest.console import drawing
from cleanside.ingest.console.formats import within_whole
from cleanside.ingest.console.rendering import may, render, sayer_of
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.shop_page import names_of
from cleanside.ingest.console.take_away import TakenAway, file_addresses, local, plain
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.store.keys import Key

router = page_router()

MOST_SHOWN = 50  # cleanings; chosen: a screenful or two, the file has all

Wanted = Annotated[Name | None, BeforeValidator(lambda value: value or None), Query()]


@router.get("/element-lives")
def get_element_lives_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("fleet:read"))],
    kind: Wanted = None,
    site: Wanted = None,
) -> Response:
    """Each part with its curve. kind, site : of machines; None: any."""
    every = views_of(request, resources, key, resources.clock())
    known = lives_answer(resources, key, every, kind, site)
    drawn = [part for part in known["parts"] if part["curve"]]
    longest = max((part["curve"]["hours"][-1] for part in drawn), default=1.0)
    return render(
        request,
        "element_lives.html",
        key=key,
        known=known,
        kind=kind,
        site=site,
        kinds=sorted({seen.housing.kind for seen in every if seen.housing.kind}),
        sites=sorted({seen.papers.machine.site for seen in every if seen.papers.machine.site}),
        longest=longest,
        curves={id(part): drawing.survival(**part["curve"], longest=longest) for part in drawn},
        names=names_of(get_shop(resources, key))["site"] if may(key, "shop:read") else {},
        half_of=half_of,
        most_shown=MOST_SHOWN,
        files=file_addresses(str(request.url.path) + (f"?{request.url.query}" if request.url.query else "")),
        key_of=id,
    )


@router.get("/element-lives.csv")
def get_cleanings_file(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("fleet:read"))],
    kind: Wanted = None,
    site: Wanted = None,
    separator: Separator = "comma",
) -> Response:
    """The cleanings to take away, for a spreadsheet: all of the machines that the filters leave."""
    say = sayer_of(request, key)
    known = get_element_lives(request, resources, key, kind, site)
    return CLEANINGS_FILE.answer(say, [file_row(say, one) for one in known["cleanings"]], separator)


CLEANINGS_FILE = TakenAway(
    file="cleanings",
    words="cleaning.csv",
    columns=(
        *("machine", "display_name", "housing", "site", "part", "element", "went_in", "came_out", "hours"),
        *("cleaning", "at", "by", "known_by", "before_kpa", "after_kpa", "clean_kpa"),
        *("came_off", "came_off_low", "came_off_high", "hours_before", "hours_after", "ended"),
    ),
    numbers=frozenset(
        {"element", "cleaning", "hours", "before_kpa", "after_kpa", "clean_kpa", "came_off", "came_off_low"}
        | {"came_off_high", "hours_before", "hours_after"}
    ),
)


def file_row(say: Sayer, one: Mapping[str, Any]) -> dict[str, str]:
    """One cleaning in the columns of the file."""

    def kpa(level_pa: float | None) -> str:
        return plain(say.formats.in_unit(level_pa, "kPa"), 3)

    return {
        "machine": one["machine"],
        "display_name": one["display_name"] or "",
        "housing": one["housing"],
        "site": one["site"] or "",
        "part": one["part"] or "",
        "element": str(one["element"]),
        "went_in": local(say, one["element_start_at"]),
        "came_out": local(say, one["element_end_at"]),
        "hours": plain(one["element_hours"], 0),
        "cleaning": str(one["cleaning"]),
        "at": local(say, one["cleaned_at"]),
        "by": local(say, one["cleaned_by"]),
        "known_by": say.plain(f"machine.began_by.{one['known_by']}"),
        "before_kpa": kpa(one["level_before_pa"]),
        "after_kpa": kpa(one["level_after_pa"]),
        "clean_kpa": kpa(one["clean_restriction_pa"]),
        "came_off": _came_off(one["given_back_percent"]),
        "came_off_low": _came_off(one["given_back_low_percent"]),
        "came_off_high": _came_off(one["given_back_high_percent"]),
        "hours_before": plain(one["hours_before"], 0),
        "hours_after": plain(one["hours_after"], 0),
        "ended": say.plain(f"machine.ended_as.{one['ended'].replace(' ', '_')}"),
    }


def half_of(curve: Mapping[str, Any]) -> float | None:
    """By how many hours half of the elements reached the limit; None: more than half last longer. [h]"""
    steps = zip(curve["hours"], curve["share"], strict=True)
    return next((hours for hours, share in steps if share <= 0.5), None)


def _came_off(percent: float | None) -> str:
    """A share that came off, as the page says it."""
    return plain(None if percent is None else within_whole(percent), 0)
