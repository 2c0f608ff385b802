"""
How long the pages that a planner opens daily take beside their JSON twins.

    python -m tests.benchmark.bench_fleet_page [--of PAGE] [--machines N] [--days N] [--pages FOLDER]
        [--unready] [--plain-collections]

PAGE: all of fleet (its first hundred), work (what is due in a week), changes (of a week), plan (of visits;
the same problem again, as it is remembered), machine, visit (the page of a technician) and lives (element
parts compared); or moves. A fleet of N machines, each with so many days of summaries, a part and a site. What
is remembered of each machine was worked out before the first round.
A line of JSON a page: median milliseconds of page and twin by the clock and of the processor, and their
ratio. Beside that the first look: requests until it is answered (one that takes too long is asked to come
again), their seconds by the clock and of the processor. The looks back that the background makes ready are
made before the page of changes; `ahead` is what that takes, and `--unready` leaves it out.
`longest` is the longest look at the page, `collections` the full searches for garbage meanwhile, of the
processor. They are kept short as `serve` does; `--plain-collections` leaves them to Python.
`--pages` writes each page with its nonce and new ids left out, so that two commits can be compared.
`moves` is the question to the audit log of how often planned days were moved: each machine has MOVES of them
among OTHER_LINES lines of other kinds, beside a question that finds none.
"""

from __future__ import annotations

import argparse
import gc
import json
import re
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import Judge
from cleanside.ingest.commands import long_collections
from cleanside.ingest.restriction import summarise_hours
from cleanside.ingest.store import audit, database, fleet, hours, papers, planning_terms, shop
from cleanside.ingest.store.fleet import TerminalRow
from cleanside.ingest.store.hours import Kept
from tests.benchmark.bench_analysis import KINDS, TERMINAL_PA, made_readings, median, timed
from tests.support.serving import Api, in_process

DISTINCT, AT_ONCE = 20, 10
SITES, PARTS = 10, 12
PEOPLE = 12  # who change elements: with the assumed two a plan of all machines has no room
#: what is measured -> page, twin
PAGES = {
    "fleet": ("/fleet", "/v1/fleet"),
    "work": ("/work-list", "/v1/work"),
    "changes": ("/fleet-changes", "/v1/fleet/changes"),
    "plan": ("/visit-plan", "/v1/visit-plan"),
    "machine": ("/machines/m-0007", "/v1/machines/m-0007/restriction"),
    "visit": ("/visit/m-0007", "/v1/machines/m-0007/restriction"),
    "lives": ("/element-lives", "/v1/element-lives"),
}
#: what two looks at one page differ by
ONE_LOOK = re.compile(rb'nonce="[^"]*"|[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}|\(key k[0-9a-f]+\)')
MOVES, OTHER_LINES = 5, 200_000
OWNER_ID = 1
MOST_LOOKS = 50


def fill(connection: sa.Connection, machines: int, days: float) -> float:
    """Machines with their summaries. Returns the newest reading, seconds since 1970."""
    made = [made_readings(days, 120.0, seed=number, hours_a_day=9) for number in range(DISTINCT)]
    kept = []
    for readings in made:
        found = summarise_hours(readings)
        whole = (found.hours["hour_s"] // 3600).tolist()
        kept.append([Kept(hour, *packed) for hour, packed in zip(whole, found.packed(), strict=True)])
    sites = [shop.keep_group(connection, "site", OWNER_ID, f"site-{n}").id for n in range(SITES)]
    planning_terms.edit_terms(connection, OWNER_ID, 0, "bench", people=PEOPLE)
    limit = TerminalRow(valid_from_us=0, value=6.2, unit="kPa", restriction_pa=TERMINAL_PA)
    for number in range(machines):
        machine = fleet.keep_machine(connection, OWNER_ID, f"m-{number:04d}", KINDS[number % len(KINDS)], 0)
        housing = fleet.keep_housing(connection, machine, "main")
        fleet.put_terminal(connection, housing.id, limit)
        device = fleet.keep_device(connection, OWNER_ID, f"m-{number:04d}-intake")
        fleet.assign(connection, device.id, housing.id, None, None)
        hours.put_summaries(connection, housing.id, 0, kept[number % DISTINCT])
        papers.edit_machine_papers(connection, machine.id, site_id=sites[number % SITES])
        papers.edit_housing_papers(connection, housing.id, primary_part=f"KG-{number % PARTS:04d}")
    return max(float(readings.at_s[-1]) for readings in made)


def measure(api: Api, rounds: int, of: str) -> dict[str, Any]:
    """Page and twin, one after the other, in turns; machines are remembered. of : a key of `PAGES`."""
    (page_path, twin_path), page, twin = PAGES[of], [], []
    first = first_look(api, page_path)
    with full_collections() as collections_s:
        for _ in range(rounds):
            page.append(timed(ask(api, page_path)))
            twin.append(timed(ask(api, twin_path)))
    page_took, twin_took = median(page), median(twin)
    return {
        "page_ms": round(1e3 * page_took.clock_s, 1),
        "page_processor_ms": round(1e3 * page_took.processor_s, 1),
        "twin_ms": round(1e3 * twin_took.clock_s, 1),
        "twin_processor_ms": round(1e3 * twin_took.processor_s, 1),
        "ratio": round(page_took.processor_s / twin_took.processor_s, 2),
        "longest_processor_ms": round(1e3 * max(one.processor_s for one in page), 1),
        "collections": len(collections_s),
        "longest_collection_ms": round(1e3 * max(collections_s, default=0.0), 1),
        **first,
    }


@contextmanager
def full_collections() -> Iterator[list[float]]:
    """The processor time of each full search for garbage within. [s]"""
    taken: list[float] = []
    began_s = 0.0

    def note(phase: str, search: Mapping[str, Any]) -> None:
        nonlocal began_s
        if search["generation"] != long_collections.OLDEST:
            return
        if phase == "start":
            began_s = time.thread_time()
        else:
            taken.append(time.thread_time() - began_s)

    gc.callbacks.append(note)
    try:
        yield taken
    finally:
        gc.callbacks.remove(note)


def first_look(api: Api, path: str) -> dict[str, Any]:
    """A page is asked for until it is answered."""
    taken = []
    for _ in range(MOST_LOOKS):
        answers: list[int] = []
        taken.append(timed(lambda answers=answers: answers.append(api.get(path).status_code)))  # type: ignore[misc]
        if answers == [200]:
            break
    else:
        raise AssertionError(f"{path} was not answered in {MOST_LOOKS} requests")
    return {
        "first_requests": len(taken),
        "first_s": round(sum(one.clock_s for one in taken), 2),
        "first_processor_s": round(sum(one.processor_s for one in taken), 2),
    }


def measure_moves(api: Api, machines: int, rounds: int) -> dict[str, Any]:
    """The moves of all planned days, and of an owner without any."""
    now_us = api.clock.now_us

    def plan(connection: sa.Connection) -> None:
        for line in range(OTHER_LINES):
            audit.note(connection, OWNER_ID, now_us - line, "k1", "element_change", machine="m-0000", body={})
        for number in range(machines * MOVES):
            body = {"housing": "main", "on": "2026-12-04", "note": "", "zone": "Europe/Vienna"}
            about = {"machine": f"m-{number % machines:04d}", "body": body}
            audit.note(connection, OWNER_ID, now_us - number, "k1", "planned_change", **about)

    api.resources.writer.call(plan)
    found, none = [], []
    for _ in range(rounds):
        with api.resources.reading() as connection:
            found.append(timed(lambda: audit.planned_days_of(connection, OWNER_ID, 0)))
            none.append(timed(lambda: audit.planned_days_of(connection, OWNER_ID, now_us + 1)))
    return {
        "lines": OTHER_LINES + machines * MOVES,
        "moves_ms": round(1e3 * median(found).clock_s, 1),
        "moves_processor_ms": round(1e3 * median(found).processor_s, 1),
        "none_ms": round(1e3 * median(none).clock_s, 2),
    }


def remember(api: Api) -> None:
    """Work every machine out, some at a time: one question to the database has an end."""
    with api.resources.reading() as connection:
        every = fleet.housings_in_use(connection, OWNER_ID)
    for first in range(0, len(every), AT_ONCE):
        with api.resources.reading() as connection:
            known = api.services.snapshots.of(connection, OWNER_ID)
            judge = Judge(connection, api.resources, api.services.memory, known)
            judge.views(every[first : first + AT_ONCE], whole_owner=False)


def look_back(api: Api) -> dict[str, float]:
    """Work the looks back out that people are likely to take, as the background does."""
    took = timed(lambda: api.services.looks.refresh(api.resources, api.services.snapshots.of))
    return {"ahead_s": round(took.clock_s, 2), "ahead_processor_s": round(took.processor_s, 2)}


def ask(api: Api, path: str) -> Callable[[], None]:
    """A request that must succeed."""

    def request() -> None:
        response = api.get(path)
        assert response.status_code == 200, response.status_code

    return request


def main(arguments: Sequence[str] | None = None) -> None:
    """Fill a database and measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--of", choices=[*PAGES, "moves", "all"], default="all")
    parser.add_argument("--machines", type=int, default=300)
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--pages", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--unready", action="store_true", help="no look back is worked out ahead")
    parser.add_argument("--plain-collections", action="store_true", help="full searches are not kept short")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        engine = database.writing_engine(url)
        database.migrate(engine)
        engine.dispose()
        with in_process(url) as api:
            newest_s = api.resources.writer.call(lambda c: fill(c, given.machines, given.days))
            api.clock.now_us = int((newest_s + 60) * 1e6)
            size = {"machines": given.machines, "days": given.days}
            if given.of == "moves":
                print(
                    json.dumps({"of": given.of, **size, **measure_moves(api, given.machines, given.rounds)})
                )
                return
            remember(api)
            if not given.plain_collections:
                long_collections.shorten()
            for of in PAGES if given.of == "all" else [given.of]:
                ahead = look_back(api) if of == "changes" and not given.unready else {}
                print(json.dumps({"of": of, **size, **ahead, **measure(api, given.rounds, of)}), flush=True)
                if given.pages:
                    given.pages.mkdir(parents=True, exist_ok=True)
                    (given.pages / f"{of}.html").write_bytes(ONE_LOOK.sub(b"", api.get(PAGES[of][0]).content))


if __name__ == "__main__":
    main()
