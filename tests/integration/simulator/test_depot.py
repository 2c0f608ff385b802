"""The way into the demo's console, and what its shop entered: a real server, asked as a browser asks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from io import StringIO
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from rich.console import Console

from cleanside.simulator import depot
from cleanside.simulator.demo import show_the_way_in
from cleanside.simulator.fleet import FLEET
from cleanside.simulator.shop import Shop

PASSWORD = "gravel plateau grader seven"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """One for the file: the way in is the same whatever was entered. It shows documents of one page."""
    site = tmp_path_factory.mktemp("site")
    (site / "version.txt").write_text(version("cleanside"))
    (site / "index.html").write_text("<!DOCTYPE html><title>documents</title>")
    running = Shop(tmp_path_factory.mktemp("shop"))
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("CLEANSIDE_INGEST_DOCS_FOLDER", str(site))
            running.open()
        for spec in FLEET:
            running.register(spec)
        yield running
    finally:
        running.stop()


def test_what_the_shop_of_the_demo_enters_is_there(shop: Shop) -> None:
    today = datetime.now(UTC).date()
    depot.enter(FLEET, today, post=shop.post, patch=shop.patch)
    known = shop.get("/v1/shop")
    assert {site["site"] for site in known["sites"]} == set(depot.SITES)
    assert {crew["crew"] for crew in known["crews"]} == set(depot.CREWS)
    assert all(part["lead_time_days"] for part in known["parts"])
    assert any(line["pieces"] for part in known["parts"] for line in part["stock"])
    fleet = {housing["machine"]: housing for housing in shop.get("/v1/fleet")["housings"]}
    assert all(fleet[spec.name]["site"] and fleet[spec.name]["primary_part"] for spec in FLEET)
    planned = [machine for machine, housing in fleet.items() if housing["planned"] is not None]
    assert planned == [depot.PLANNED[0]]
    jobs = {job["machine"]: job["reason"] for job in shop.get("/v1/work")["jobs"]}
    assert jobs[depot.PLANNED[0]] == "planned"


def test_the_printed_link_opens_a_signed_in_console_once(shop: Shop) -> None:
    said = Console(file=StringIO(), width=40)
    show_the_way_in(shop, said)
    assert isinstance(said.file, StringIO)
    (link,) = [line for line in said.file.getvalue().splitlines() if "/join?" in line]
    assert link.startswith(shop.url)
    assert f"{shop.url}/docs" in said.file.getvalue().split()
    (code,) = parse_qs(urlsplit(link).query)["code"]
    form = {"code": code, "password": PASSWORD, "again": PASSWORD}
    with httpx.Client(base_url=shop.url, headers={"Origin": shop.url}, timeout=30) as browser:
        assert browser.get("/fleet").status_code == 303
        assert browser.get(link).status_code == 200
        assert browser.post("/join", data=form).headers["location"] == "/"
        page = browser.get("/fleet")
        assert page.status_code == 200
        assert all(spec.name in page.text for spec in FLEET)
        assert browser.get("/work-list").status_code == 200
    with httpx.Client(base_url=shop.url, headers={"Origin": shop.url}, timeout=30) as another:
        assert another.get(link).status_code == 403


@pytest.mark.parametrize("code", [0, 1])
def test_documents_that_the_server_does_not_show_are_built_by_its_command(
    shop: Shop, tmp_path: Path, code: int
) -> None:
    """What the command makes: tests/contract/test_docs_site.py."""
    told, command = tmp_path / "told", tmp_path / "command.py"
    command.write_text(
        f"import sys\nopen({str(told)!r}, 'w').write(' '.join(sys.argv[1:]))\nsys.exit({code})\n"
    )
    clone = Shop(tmp_path, program=(str(command),))
    try:
        clone.url = f"{shop.url}/without"
        assert clone.show_documents() == (code == 0)
    finally:
        clone.stop()
    assert told.read_text() == "docs build"
