"""
The command `docs build`: the site of this version.

Promises: a warning of the builder fails the build, so no link is broken and no page lies outside the
contents. The site stands whole in its place or not at all.
Leaves to others: what goes in (`ingest.docs.gathering`), the builder's settings (`conf.py`).
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from cleanside.gateway.install_command import command_for
from cleanside.ingest.console.docs_site import FOLDER, VERSION_FILE
from cleanside.ingest.docs.gathering import gather
from cleanside.ingest.errors import CalledWrongly

#: packages of the extra `docs`
TOOLS = ("sphinx", "myst_parser", "furo")
#: what the builder leaves for itself and for who changes a theme
_OF_THE_BUILDER = (".buildinfo", "objects.inv", "_static/**/*.map")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `docs`."""
    parser.add_argument("action", choices=("build",), help="build: make the site that the server shows")
    parser.add_argument(
        "--to", type=Path, default=FOLDER, metavar="FOLDER", help="default: where the server looks for it"
    )


def run(given: argparse.Namespace) -> int:
    """Build the site. Raises CalledWrongly where the tools are missing or a page is not as it should be."""
    missing = [tool for tool in TOOLS if find_spec(tool) is None]
    if missing:
        raise CalledWrongly("docs_tools_missing", tools=", ".join(missing), command=command_for("docs"))
    sys.stderr.write("building the documents; this takes a minute or two\n")
    with tempfile.TemporaryDirectory() as work:
        built = _built(Path(work))
        _put(built, given.to)
    sys.stdout.write(
        f"the documents of {version('cleanside')} are in {given.to}; a server shows them under /docs\n"
    )
    return 0


def _built(work: Path) -> Path:
    from sphinx.cmd.build import build_main

    sources, site = work / "sources", work / "site"
    gather(sources)
    words = ["-b", "html", "-q", "-W", "--keep-going", "-d", str(work / "read"), str(sources), str(site)]
    if build_main(words) != 0:
        raise CalledWrongly("docs_not_as_they_should_be")
    for path in [path for pattern in _OF_THE_BUILDER for path in site.glob(pattern)]:
        path.unlink()
    (site / VERSION_FILE).write_text(version("cleanside"), encoding="utf-8")
    return site


def _put(site: Path, to: Path) -> None:
    """Move the site to its place: beside it first, then under its name."""
    new, old = to.with_name(f".{to.name}-new"), to.with_name(f".{to.name}-old")
    for folder in (new, old):
        shutil.rmtree(folder, ignore_errors=True)
    to.parent.mkdir(parents=True, exist_ok=True)
    shutil.copytree(site, new)
    if to.exists():
        to.rename(old)
    new.rename(to)
    shutil.rmtree(old, ignore_errors=True)
