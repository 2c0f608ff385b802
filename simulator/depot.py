"""
What the shop of the crew enters: sites, crews, parts with stock and lead time, papers, a planned visit.

Promises: names, part numbers and figures are made up for this scenario.
Leaves to others: the machines themselves (`fleet.py`), asking the server (`shop.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from typing import Any

from cleanside.simulator.fleet import MachineSpec

#: name -> what people call it
SITES = {"oberkies": "Gravel pit Oberkies", "plateau-road": "Plateau road, lot 3"}
CREWS = {"early-shift": "Early shift", "late-shift": "Late shift"}
#: kind of machine -> (site, crew)
PLACES = {
    "grader": ("plateau-road", "early-shift"),
    "loader": ("oberkies", "early-shift"),
    "hauler": ("plateau-road", "late-shift"),
    "genset": ("oberkies", "late-shift"),
}
#: kind of machine -> (part, description, days from order to delivery, pieces by site)
PARTS = {
    "grader": ("GP-2040", "primary element, grader", 6, {"oberkies": 0, "plateau-road": 1}),
    "loader": ("GP-2110", "primary element, loader", 4, {"oberkies": 2, "plateau-road": 0}),
    "hauler": ("GP-3310", "primary element, hauler", 9, {"oberkies": 1, "plateau-road": 1}),
    "genset": ("GP-1504", "primary element, genset", 12, {"oberkies": 0, "plateau-road": 0}),
}
#: the machine that a person means to visit, and in how many days
PLANNED = ("grader-07", 2)
SERVICE_IN_DAYS = 10

#: path and body of one request
Entered = tuple[str, dict[str, Any]]
Ask = Callable[[str, dict[str, Any]], object]


def enter(fleet: Sequence[MachineSpec], today: date, *, post: Ask, patch: Ask) -> None:
    """Enter all of it at the server, in an order in which each name is there before it is used."""
    for path, body in (*_places(), *_parts()):
        post(path, body)
    for spec in fleet:
        patch(f"/v1/machines/{spec.name}/papers", papers_of(spec, today))
    machine, days = PLANNED
    body = {"on": (today + timedelta(days=days)).isoformat(), "note": "with the fuel truck"}
    body |= {"confirmed_because": "the fuel truck goes there on that day"}  # it may be a day without work
    post(f"/v1/machines/{machine}/planned-change", body)


def _places() -> Iterator[Entered]:
    yield from (("/v1/sites", {"site": name, "display_name": said}) for name, said in SITES.items())
    yield from (("/v1/crews", {"crew": name, "display_name": said}) for name, said in CREWS.items())


def _parts() -> Iterator[Entered]:
    for part, description, lead_time_days, pieces in PARTS.values():
        stock = [{"site": site, "pieces": count} for site, count in pieces.items()]
        body = {"part": part, "description": description, "lead_time_days": lead_time_days}
        yield "/v1/parts", body | {"stock": stock}


def papers_of(spec: MachineSpec, today: date) -> dict[str, Any]:
    """The papers of a machine, as the server's route takes them. Pure."""
    site, crew = PLACES[spec.kind]
    service = {"service": "500 h service", "on": (today + timedelta(days=SERVICE_IN_DAYS)).isoformat()}
    housing = {"housing": "main", "primary_part": PARTS[spec.kind][0]}
    return {"site": site, "crew": crew, "next_service": service, "housings": [housing]}
