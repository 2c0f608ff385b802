"""
A page made of its template, in the words and formats of who looks.

Promises: every value is escaped unless it is markup of ours; a name that is missing is an error, not an empty
place. Scripts run by the nonce of the answer alone, and nothing is loaded from elsewhere.
Leaves to others: what is shown (the pages), who may see it (`routing`).
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.datastructures import URL, FormData

from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import needed_permission
from cleanside.ingest.console import drawing
from cleanside.ingest.console.docs_site import help_for
from cleanside.ingest.console.doubt_words import in_doubt
from cleanside.ingest.console.field_faults import SECRET
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.plan_words import is_asked, plan_chance, plan_said
from cleanside.ingest.console.routing import PageRoute
from cleanside.ingest.console.static_files import address_of
from cleanside.ingest.console.viewer import Viewer, viewer_of
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.owners.access import allows
from cleanside.ingest.store.keys import Key

TEMPLATES = Path(__file__).parent / "templates"
#: one line of words; a place is shown to those who may go there, once there is a page
PLACES = (
    *("/fleet", "/work-list", "/visit-plan", "/shop", "/element-lives", "/visit"),
    *("/backlog", "/quarantine", "/monitors"),
    *("/messages", "/me", "/people", "/keys", "/webhooks", "/transfers", "/audit"),
)
#: of these, those that stand folded together: for people who run the server, now and then
MANAGING = frozenset({"/people", "/keys", "/webhooks", "/transfers", "/audit"})

#: fields with a code that is used up once
ONE_TIME = frozenset({"code"})
_DRAWINGS = {
    "state_mark": drawing.state_mark,
    "ruler": drawing.ruler,
    "date_span": drawing.date_span,
    "calendar_head": drawing.calendar_head,
    "trend": drawing.trend,
    "bar": drawing.bar,
}


class Templates(Environment):
    """Documents are dictionaries: a member is looked up before an attribute, without a failed try first."""

    def getattr(self, obj: Any, attribute: str) -> Any:
        """A member of a dictionary, else what Jinja finds."""
        if type(obj) is dict and attribute in obj:
            return obj[attribute]
        return super().getattr(obj, attribute)


@cache
def templates() -> Environment:
    """All templates; each is compiled once."""
    made = Templates(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals |= {"static": address_of, "in_doubt": in_doubt, **_DRAWINGS}
    made.globals |= {"plan_said": plan_said, "plan_asks": is_asked, "plan_chance": plan_chance}
    return made


def render(
    request: Request,
    template: str,
    *,
    key: Key | None = None,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    **values: Any,
) -> HTMLResponse:
    """
    The page of a template.

    key : of who looks; None: not signed in. values : what the template names.
    """
    viewer, nonce = viewer_of(request, key), secrets.token_urlsafe(16)
    given = _given(request, viewer, nonce)
    given |= {"status": status, "typed": typed_in(request) if status >= 400 else None}
    content = templates().get_template(template).render(given | values)
    return HTMLResponse(content, status, {**headers_of(viewer, nonce), **(headers or {})})


def ask_first(
    request: Request, key: Key, act: str, question: str, *, back: str, **values: Any
) -> HTMLResponse:
    """
    A page that asks before an act that cannot be undone; without scripts, for the form that was sent.

    act : key of its words; what follows from it stands under `<act>_what`. question : key of the question.
    back : the page to return to. values : what the question names.
    """
    say = sayer_of(request, key)
    return render(
        request,
        "confirm.html",
        key=key,
        question=say.plain(question, **values),
        what=say.plain(f"{act}_what"),
        act=say.plain(act),
        back=back,
    )


def document_of(request: Request, template: str, *, key: Key, **values: Any) -> str:
    """A template as a document that is no page: for paper. values : what it names."""
    viewer = viewer_of(request, key)
    return templates().get_template(template).render(_given(request, viewer, "") | values)


def typed_in(request: Request) -> list[tuple[str, str]] | None:
    """What a person sent with the form of a request, in its order, but no secret; None: no form came."""
    fields: FormData | None = getattr(request.state, "fields", None)
    if fields is None:
        return None
    texts = [(name, value) for name, value in fields.multi_items() if isinstance(value, str)]
    return [(name, value) for name, value in texts if name not in SECRET | ONE_TIME]


def _given(request: Request, viewer: Viewer, nonce: str) -> dict[str, Any]:
    """What every template may name."""
    formats = formats_of(request, viewer)
    say = Sayer(viewer.language, formats, unit=viewer.list_unit)
    return {
        "viewer": viewer,
        "nonce": nonce,
        "say": say,
        "name_of": WhoNames(services_of(request).resources.reading, viewer.key, say),
        "format": formats,
        "path": request.url.path,
        "help": help_for(request),
        "places": list(places_of(request, viewer.key)),
        "managing": MANAGING,
        "may": lambda permission: may(viewer.key, permission),
        "address": lambda **query: address_with(request, **query),
        **_shorthand(formats),
    }


def _shorthand(formats: Formats) -> dict[str, Any]:
    """Formats by their own name, for templates."""
    return {
        "number": formats.number,
        "restriction": formats.restriction,
        "percent": formats.percent,
        "hours": formats.hours,
        "of_unit": formats.of_unit,
        "day": formats.day,
        "date": formats.date,
        "long_day": formats.long_day,
        "clock": formats.clock,
        "minute": formats.minute,
        "age": formats.age,
        "seconds_ago": formats.seconds_ago,
        "zone_name": formats.zone_name,
    }


def formats_of(request: Request, viewer: Viewer) -> Formats:
    """How the viewer of a page writes numbers and times now."""
    return Formats(viewer.locale, viewer.zone, services_of(request).clock() / 1e6)


def sayer_of(request: Request, key: Key | None) -> Sayer:
    """The words of whoever looks, how they write numbers and times (`.formats`), pressures as in lists."""
    viewer = viewer_of(request, key)
    return Sayer(viewer.language, formats_of(request, viewer), unit=viewer.list_unit)


def may(key: Key | None, permission: str) -> bool:
    """True where a key's role has the permission. Raises KeyError for one without a row."""
    return key is not None and allows(key, permission)


def places_of(request: Request, key: Key | None) -> Iterator[str]:
    """The pages of PLACES that there are and that a key may see."""
    pages = {route.path: route for route in request.app.routes if isinstance(route, PageRoute)}
    for place in PLACES:
        if place in pages and key is not None:
            permission = needed_permission(pages[place])
            if permission is None or may(key, permission):
                yield place


def address_with(request: Request, **query: Any) -> str:
    """The address of this page with other parameters; "" or None takes one away."""
    kept = {name: value for name, value in request.query_params.items() if name not in query}
    given = {name: str(value) for name, value in query.items() if value not in (None, "")}
    return str(URL(path=request.url.path).include_query_params(**kept, **given))


def headers_of(viewer: Viewer, nonce: str) -> dict[str, str]:
    """What a page says to the browser that shows it."""
    return {
        "Content-Security-Policy": policy(nonce),
        "Content-Language": viewer.locale.language,
        "Cross-Origin-Opener-Policy": "same-origin",
        # With no-referrer a form would say "Origin: null", and a browser without Fetch metadata be refused.
        "Referrer-Policy": "same-origin",
        "Vary": "Accept-Language, Cookie, Authorization",
    }


def policy(nonce: str) -> str:
    """The content security policy of a page (W3C CSP level 3): ours alone, scripts by nonce, no frame."""
    return (
        f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'self'; img-src 'self' data: blob:; "
        "connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )
