"""
The sources of the site in one folder: pages by hand, pages made of the code, documents from elsewhere.

Promises: links that lead somewhere in the repository lead to the same place in the site. The words of
cautions stand in one table only (`ingest.cautions`): a page names the situation.
Leaves to others: making HTML (`ingest.docs.build`).
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from cleanside.ingest.cautions import words
from cleanside.ingest.docs import (
    codes_reference,
    commands_reference,
    events_reference,
    metrics_reference,
    quantities_reference,
    roles_reference,
    routes_reference,
    settings_reference,
    shapes_reference,
    sources_reference,
)
from cleanside.ingest.docs.markdown_text import plain

FOLDER = Path(__file__).resolve().parent
INGEST = FOLDER.parent
#: document that lies elsewhere -> its page
FROM_ELSEWHERE = {
    INGEST / "restriction" / "METHODS.md": "explanation/methods.md",
    INGEST / "restriction" / "CONSTANTS.md": "explanation/constants.md",
    INGEST / "restriction" / "TRIALS.md": "explanation/trials.md",
    INGEST / "SECURITY.md": "explanation/security.md",
}
#: document of the checkout that has no page -> the page to read instead
INSTEAD = {INGEST.parent / "README.md": "index.md"}
#: page -> what makes it
MADE: Mapping[str, Callable[[], str]] = {
    "reference/settings-server.md": settings_reference.of_server,
    "reference/settings-gateway.md": settings_reference.of_gateway,
    "reference/commands.md": commands_reference.commands,
    "reference/sources.md": sources_reference.sources,
    "reference/quantities.md": quantities_reference.quantities,
    "reference/roles.md": roles_reference.roles,
    "reference/problems.md": codes_reference.of_problems,
    "reference/quarantine.md": codes_reference.of_quarantine,
    "reference/attention.md": codes_reference.of_attention,
    "reference/evidence.md": codes_reference.of_evidence,
    "reference/cautions.md": codes_reference.of_cautions,
    "reference/metrics.md": metrics_reference.metrics,
    "reference/events.md": lambda: events_reference.events(routes_reference.description()),
    "reference/shapes.md": lambda: shapes_reference.shapes(
        routes_reference.description()["components"]["schemas"]
    ),
}
#: a fenced block whose one line names the situation
_CAUTIONS = re.compile(r"^```\{cautions\} (\w+)\n```$", re.MULTILINE)
_LINK = re.compile(r"(\]\()([^)#:]+\.md)((?:#[^)]*)?\))")


def gather(to: Path) -> None:
    """Write all sources of the site into a folder that is not there yet."""
    shutil.copytree(FOLDER, to, ignore=shutil.ignore_patterns("*.py", "__pycache__", "site"))
    shutil.copy(FOLDER / "conf.py", to)
    shutil.copy(INGEST / "console" / "static" / "mark.svg", to / "look")
    for name, text in made().items():
        _write(to / name, text)
    for source, name in page_of().items():
        _write(to / name, as_page(source.read_text(encoding="utf-8"), source))


def made() -> dict[str, str]:
    """Every page that is made of the code."""
    found = {name: make() for name, make in MADE.items()}
    return found | {f"reference/routes/{noun}.md": text for noun, text in routes_reference.pages().items()}


def page_of() -> dict[Path, str]:
    """Every document written by hand -> its page in the site."""
    own = {path: path.relative_to(FOLDER).as_posix() for path in sorted(FOLDER.rglob("*.md"))}
    return own | FROM_ELSEWHERE


def as_page(text: str, source: Path) -> str:
    """A document as the site has it: its cautions in words, its links to where documents are there."""
    text = _CAUTIONS.sub(lambda match: cautions(match[1]), text)
    return _LINK.sub(lambda match: f"{match[1]}{_moved(match[2], source)}{match[3]}", text)


def cautions(situation: str) -> str:
    """The cautions of a situation as a block. Raises KeyError for an unknown one."""
    lines = [f"- {plain(caution)}" for caution in words(situation)]
    return "\n".join([":::{admonition} Before you act", ":class: caution", "", *lines, ":::"])


def _moved(link: str, source: Path) -> str:
    """A link of a document as its page needs it; one that leads nowhere stays, and fails the build."""
    pages = page_of()
    target = Path(os.path.normpath(source.parent / link))
    page = (pages | INSTEAD).get(target) or os.path.relpath(target, FOLDER)
    return Path(os.path.relpath(page, Path(pages[source]).parent)).as_posix()


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
