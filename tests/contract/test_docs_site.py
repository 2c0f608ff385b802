"""
The documents as a site: built without a warning, complete by the code, sent under a strict policy.

No load from elsewhere: W3C CSP level 3. Where a problem's type leads: RFC 9457 section 3.1.1.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from cleanside.gateway import settings as gateway_settings
from cleanside.gateway.units import QUANTITIES
from cleanside.ingest import settings
from cleanside.ingest.api.app import all_routes
from cleanside.ingest.api.routes.described_events import DATA
from cleanside.ingest.cautions import CAUTIONS
from cleanside.ingest.console.docs_site import HELP
from cleanside.ingest.docs import commands_reference
from cleanside.ingest.docs.routes_reference import description
from cleanside.ingest.intake.codes import ATTENTION_STEPS, HELD_CODES, NEXT_STEPS, TITLES
from cleanside.ingest.restriction.verdict.plain_forms import SENTENCES
from cleanside.ingest.store.gateway_reports import DECLARED_NAMES
from tests.support.house import ROOT
from tests.support.serving import Api, in_process

FOLDER = ROOT / "ingest" / "docs"
#: pages on which somebody acts at the server alone; they say so, and name the page of all cautions
AT_THE_SERVER = "What you do here touches no machine"
#: attributes by which a page loads something
LOADS = {("img", "src"), ("script", "src"), ("source", "src"), ("iframe", "src"), ("video", "src")}


class Page(HTMLParser):
    """What a test wants to know of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: set[str] = set()
        self.links: list[str] = []
        self.loads: list[str] = []
        self.inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        if given.get("id"):
            self.ids.add(given["id"] or "")
        if tag == "a" and given.get("href"):
            self.links.append(given["href"] or "")
        if tag == "link" and given.get("rel") in (
            "stylesheet",
            "icon",
            "shortcut icon",
            "preload",
            "prefetch",
        ):
            self.loads.append(given["href"] or "")
        self.loads += [value or "" for name, value in attributes if (tag, name) in LOADS]
        self.inside += [name for name in given if name == "style" or name.startswith("on")]
        if tag == "style" or (tag == "script" and "src" not in given):
            self.inside.append(tag)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site, built by the command as anybody builds it. A warning of the builder fails it."""
    folder = tmp_path_factory.mktemp("docs") / "site"
    command = [sys.executable, "-m", "ingest", "docs", "build", "--to", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="module")
def pages(site: Path) -> dict[str, Page]:
    """Name -> page."""
    return {path.relative_to(site).as_posix(): Page(path.read_text()) for path in site.rglob("*.html")}


def test_the_extra_that_builds_them_has_the_packages_of_the_commands_they_show() -> None:
    """`docs build` loads the simulator's parser, and with it what the simulator stands on."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    assert {name for name in extras["simulator"] if not name.startswith("cleanside[")} <= set(extras["docs"])


def test_nothing_is_loaded_from_elsewhere_and_nothing_stands_in_a_page(
    site: Path, pages: dict[str, Page]
) -> None:
    loads = {load for page in pages.values() for load in page.loads}
    assert loads
    assert {load for load in loads if urlsplit(load).scheme or urlsplit(load).netloc} == set()
    assert {name: page.inside for name, page in pages.items() if page.inside} == {}
    for path in (*site.rglob("*.css"), *site.rglob("*.js")):
        assert (
            re.findall(r"""(?:url\(|@import|importScripts\(|fetch\()\s*['"]?https?:""", path.read_text())
            == []
        )


def test_no_link_is_broken(site: Path, pages: dict[str, Page]) -> None:
    """The builder checks links of the text; here are those too that the pages bring as HTML."""
    broken = []
    for name, page in pages.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc:
                continue
            target = (
                (site / name).parent.joinpath(unquote(parts.path)).resolve() if parts.path else site / name
            )
            to = target.relative_to(site.resolve()).as_posix() if target.is_file() else ""
            if not target.is_file() or (
                parts.fragment and to in pages and parts.fragment not in pages[to].ids
            ):
                broken.append((name, link))
    assert broken == []


PLACES = {
    "problems": set(TITLES),
    "quarantine": set(HELD_CODES),
    "attention": {*ATTENTION_STEPS, *DECLARED_NAMES} - set(HELD_CODES),
    "cautions": set(CAUTIONS),
    "evidence": set(SENTENCES),
    "events": set(DATA),
    "quantities": set(QUANTITIES),
    "settings-server": {row.attribute for row in settings.TABLE.rows},
    "settings-gateway": {row.attribute for row in gateway_settings.TABLE.rows},
}


@pytest.mark.parametrize("name", PLACES)
def test_everything_that_has_a_name_has_its_place(name: str, pages: dict[str, Page]) -> None:
    assert PLACES[name] - pages[f"reference/{name}.html"].ids == set()


def test_every_object_and_every_value_of_an_enumeration_has_its_place(pages: dict[str, Page]) -> None:
    schemas = description()["components"]["schemas"]
    values = {f"{name}-{value}" for name, schema in schemas.items() for value in schema.get("enum", ())}
    assert (set(schemas) | values) - pages["reference/shapes.html"].ids == set()


def test_every_route_has_its_place(pages: dict[str, Page]) -> None:
    found = {
        name for path, page in pages.items() if path.startswith("reference/routes/") for name in page.ids
    }
    assert {route.name for route in all_routes()} - found == set()


@pytest.mark.parametrize("program", commands_reference.PROGRAMS)
def test_every_command_and_option_stands_there(program: str, site: Path) -> None:
    text = (site / "reference" / "commands.html").read_text()
    for name in commands_reference.actions_of(commands_reference.parser_of(program)):
        own = commands_reference.actions_of(commands_reference.parser_of(program, name))[name]
        options = {
            o for action in own._actions for o in action.option_strings if action.help != "==SUPPRESS=="
        }
        assert f"{program} {name}" in text
        assert {option for option in options - {"-h", "--help"} if option not in text} == set(), name


def test_cautions_stand_where_somebody_acts() -> None:
    acting = [*FOLDER.glob("tutorials/*.md"), *FOLDER.glob("howto/*.md")]
    acting += [FOLDER / name for name in ("technicians.md", "planners.md")]
    without = [
        path.relative_to(FOLDER).as_posix()
        for path in acting
        if "```{cautions} " not in path.read_text() and AT_THE_SERVER not in path.read_text()
    ]
    assert set(without) <= {"howto/index.md", "tutorials/integrator.md"}  # a list; a program is written


def test_pictures_of_the_readme_are_small() -> None:
    pictures = re.findall(r"ingest/docs/pictures/\w+\.png", (ROOT / "README.md").read_text())
    assert len(pictures) == 2
    assert max((ROOT / picture).stat().st_size for picture in pictures) < 200_000


# ---------------------------------------------------------------- as the server sends it


@pytest.fixture
def api(site: Path, sqlite_database_url: str) -> Iterator[Api]:
    chosen = settings.load({"database": sqlite_database_url, "docs_folder": str(site)}, {})
    with in_process(sqlite_database_url, settings=chosen) as running:
        yield running


def test_the_site_is_sent_to_all_under_a_strict_policy(api: Api) -> None:
    for address in ("/docs", "/docs/"):
        first = api.get(address, key=None)
        assert (first.status_code, first.headers["location"]) == (303, "/docs/index.html")
    page = api.get("/docs/index.html", key=None)
    assert (page.status_code, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
    policy = dict(part.split(" ", 1) for part in page.headers["content-security-policy"].split("; "))
    assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert page.headers["x-content-type-options"] == "nosniff"
    again = api.get("/docs/index.html", key=None, headers={"If-None-Match": page.headers["etag"]})
    assert again.status_code == 304
    # RFC 9111 section 3.2: the headers of a 304 replace those of the page the browser kept
    assert again.headers["content-security-policy"] == page.headers["content-security-policy"]
    assert api.get("/docs/_static/docs.css", key=None).headers["content-type"] == "text/css; charset=utf-8"


def test_the_type_of_a_problem_leads_to_its_place(api: Api, pages: dict[str, Page]) -> None:
    kind = api.get("/v1/nothing").json()["type"]
    for code in TITLES:
        to = api.get(kind.replace("not_found", code), key=None)
        assert to.status_code == 303
        page, _, place = to.headers["location"].removeprefix("/docs/").partition("#")
        assert place in pages[page].ids


def test_a_page_leads_to_the_document_that_explains_it(api: Api, pages: dict[str, Page]) -> None:
    for place in HELP.values():
        name, _, heading = place.partition("#")
        assert not heading or heading in pages[name].ids, place
    assert f"/docs/{HELP['sign-in']}" in Page(api.get("/sign-in", key=None).text).links
    assert f"/docs/{HELP['fleet']}" in Page(api.get("/fleet").text).links


def test_the_page_of_an_error_leads_to_the_place_of_its_code(api: Api) -> None:
    shown = api.get("/fleet?state=nothing")
    assert "/docs/problems/not_valid" in Page(shown.text).links


def test_nothing_else_is_sent(api: Api) -> None:
    names = ["nothing.html", "../version.txt", "..%2fsite/version.txt", "%2e%2e/x.html", "a//b.html"]
    for name in (*names, "problems/no_code", "reference", "_static", "index.html%00.html"):
        answer = api.get(f"/docs/{name}", key=None, headers={"Accept": "application/json"})
        assert (answer.status_code, answer.json()["code"]) == (404, "not_found"), name


def test_no_link_in_the_folder_is_followed(site: Path, api: Api, tmp_path: Path) -> None:
    secret = tmp_path / "secret.html"
    secret.write_text("secret")
    place = site / "link.html"
    place.symlink_to(secret)
    try:
        assert api.get("/docs/link.html", key=None).status_code == 404
    finally:
        place.unlink()


def test_a_site_of_another_version_is_not_shown(site: Path, sqlite_database_url: str, tmp_path: Path) -> None:
    other = tmp_path / "site"
    shutil.copytree(site, other)
    (other / "version.txt").write_text("0.0.9")
    for folder in (other, tmp_path / "none"):
        chosen = settings.load({"database": sqlite_database_url, "docs_folder": str(folder)}, {})
        with in_process(sqlite_database_url, settings=chosen, tokens={}) as api:
            answer = api.get("/docs/index.html", key=None, headers={"Accept": "application/json"})
            assert (answer.status_code, answer.json()["code"]) == (404, "docs_not_built")
            assert "docs build" in answer.json()["next_step"]
            seen = api.get("/docs/index.html", key=None, headers={"Accept": "text/html"}).text
            assert "The documents are not built yet" in seen
            assert "cleanside-ingest docs build" in seen
            assert "another shop" not in seen
            for code, title in TITLES.items():  # the type of a problem leads somewhere here too
                meaning = api.get(f"/docs/problems/{code}", key=None)
                assert (meaning.status_code, meaning.headers["content-type"]) == (
                    200,
                    "text/plain; charset=utf-8",
                )
                assert meaning.text.startswith(f"{code}: {title}\nWhat to do: {NEXT_STEPS[code]}\n")
            assert api.get("/docs/problems/no_code", key=None).status_code == 404
            sign_in = Page(api.get("/sign-in", key=None).text)
            assert [link for link in sign_in.links if link.startswith("/docs")] == []
