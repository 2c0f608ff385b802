"""
The documents of this version under `/docs`, as `cleanside-ingest docs build` made them.

Promises: they are open to all, because nothing in them is of any shop. A site of another version is not
shown. A page loads nothing from elsewhere and runs no script but the site's own files. Nothing outside the
folder is sent, no link is followed.
Leaves to others: building the site, and what stands in it (`ingest.docs`).
"""

from __future__ import annotations

import hashlib
import os
from functools import cache
from importlib.metadata import version
from pathlib import Path

from fastapi import Request, Response

from cleanside.ingest.api.routes.paging import not_modified
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.console.routing import page_router, see_other
from cleanside.ingest.console.static_files import TYPES
from cleanside.ingest.errors import Refused
from cleanside.ingest.intake.codes import NEXT_STEPS, TITLES
from cleanside.ingest.store.inside import NotInside, open_plain, path_in

router = page_router()

#: where the site is built to, and goes into a release
FOLDER = Path(__file__).parents[1] / "docs" / "site"
#: of the site: the version that it was built of
VERSION_FILE = "version.txt"
FIRST_PAGE = "index.html"
#: the page of all codes of problems
PROBLEMS = "reference/problems.html"

#: first word of a page's address -> the document that explains it; of others the first
HELP = {
    "fleet": "tutorials/planner.html",
    "machines": "planners.html",
    "work-list": "planners.html#the-weeks-work",
    "shop": "planners.html#what-the-shop-knows",
    "visit": "technicians.html#on-the-phone",
    "backlog": "operations.html#carry-a-backlog-as-a-file",
    "quarantine": "reference/quarantine.html",
    "monitors": "howto/new-monitor.html",
    "people": "tutorials/administrator.html#people",
    "keys": "tutorials/administrator.html#keys-of-programs",
    "audit": "tutorials/administrator.html#who-did-what",
    "sign-in": "start.html#a-shop-of-your-own",
}

_TYPES = {**TYPES, "html": "text/html; charset=utf-8", "txt": "text/plain; charset=utf-8"}
#: W3C CSP level 3: only files of this server, nothing that stands in a page itself
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


@router.get("/docs")
@open_to_all
def get_docs() -> Response:
    """To the first page: its links lead on from the folder."""
    return see_other(f"/docs/{FIRST_PAGE}")


@router.get("/docs/problems/{code}")
@open_to_all
def get_problem(code: str, request: Request) -> Response:
    """
    To the place of a problem's code: the `type` of a problem leads here (RFC 9457 section 3.1.1).

    Without a site of this version, what the code means in a few plain words.
    """
    if code not in TITLES:
        raise _not_there(f"problems/{code}")
    if site_folder(request) is None:
        return Response(problem_text(code), media_type=_TYPES["txt"])
    return see_other(f"/docs/{PROBLEMS}#{code}")


@router.get("/docs/{name:path}")
@open_to_all
def get_document(name: str, request: Request) -> Response:
    """A page of the site, or what it needs; the folder itself is its first page."""
    if not name:
        return get_docs()
    folder = site_folder(request)
    if folder is None:
        raise Refused("docs_not_built", status=404, code="docs_not_built")
    media_type, content = _TYPES.get(name.rpartition(".")[2]), _read(folder, name)
    if media_type is None or content is None:
        raise _not_there(name)
    tag = f'"{hashlib.sha256(content).hexdigest()[:16]}"'
    headers = {"ETag": tag, "Cache-Control": "no-cache", "Content-Security-Policy": _POLICY}
    return not_modified(request, tag, headers) or Response(content, media_type=media_type, headers=headers)


def problem_text(code: str) -> str:
    """What the code of a problem means, for a server without the documents. KeyError: no such code."""
    said = (
        f"{code}: {TITLES[code]}",
        f"What to do: {NEXT_STEPS[code]}",
        "The answer that named this code says in detail and errors which value it is about.",
    )
    return "\n".join(said) + "\n"


def site_folder(request: Request) -> Path | None:
    """The folder of the site; None: there is none of this version."""
    folder = Path(services_of(request).settings.docs_folder or FOLDER)
    built_of = _read(folder, VERSION_FILE)
    return folder if built_of == _own_version() else None


@cache  # reading the metadata of a package takes milliseconds, and each page asks
def _own_version() -> bytes:
    return version("cleanside").encode()


def help_for(request: Request) -> str | None:
    """The address of the document that explains a page; None: there is no site of this version."""
    if site_folder(request) is None:
        return None
    return f"/docs/{HELP.get(request.url.path.split('/')[1], FIRST_PAGE)}"


def _read(folder: Path, name: str) -> bytes | None:
    """A plain file of the folder; None: there is none."""
    try:
        with os.fdopen(open_plain(path_in(folder, name)), "rb") as file:
            return file.read()
    except (NotInside, OSError):
        return None


def _not_there(name: str) -> Refused:
    return Refused("no_such_document", status=404, code="not_found", name=name)
