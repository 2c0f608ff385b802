"""Rooms and arrows: where things live, counted from the imports, and one meaning for a name."""

from __future__ import annotations

import re
from collections import defaultdict

from tests.support.house import (
    FLOOR,
    ROOT,
    arrows,
    circles,
    classes,
    constants,
    definitions,
    modules,
    room_of,
    used,
)

#: the most there may be; a room or an arrow more is a decision, taken here
#: the console is a room: onto routes, store, owners, analysis, verdicts and the contract, and the app onto it
#: the shop too: between the analysis and the routes
#: the campaign runs the gateway with its own settings, on a clock of its own
#: the page beside the machine too: above spool and uplink, below the commands
#: the documents too: above all whose tables they show; no room stands on them
#: the console shows checks that both sides judge alike (gateway.spot_checks)
#: the figures for alerts look at the newest backup (metrics onto keeping)
#: messages to people too: onto analysis, owners, store, events of webhooks; routes, console and app onto it
#: a command sends a message in the words of the console; events of matters have instants of the contract
#: the plan of visits too: beside the shop, and the routes and the store onto it
#: events of webhooks say the advice as pages do (webhooks onto the shop)
#: where the three commands begin (gateway.programs), which loads none of the rest by itself
ROOMS, ARROWS = 44, 184
#: a program's one place for each, and what Python itself names
ONE_A_PROGRAM = {"__init__.py", "__main__.py", "cli.py", "errors.py", "error_texts.py", "log.py"}
ONE_A_PROGRAM |= {"output.py", "settings.py"}
#: layers in which a noun has a file of its own: how it is asked for over HTTP, its queries, its command
LAYERS = {"routes", "store", "commands"}
#: classes that each program has of its own: the branches of its errors, its settings
ONE_CLASS_A_PROGRAM = {"CalledWrongly", "TryAgain", "Settings"}
#: an answer as the server describes it and as the client types it: two sides of one shape
SHAPES_OF_ANSWERS = ("described", "typed_answers", "batch_schema")
#: what no file of ours calls -> who does
CALLED_FROM_ELSEWHERE = {
    "_print_message": "argparse, for every help and error",
    "data_received": "asyncio, on each piece that arrives",
    "readinto": "io.RawIOBase",
    "format_field": "string.Formatter, on each place of a template",
    "assess_housing": "the public way into the analysis, for who has summaries and no server",
    "FakeServer": "the fake that is shipped for who tests an uplink of their own",
}


def test_no_circle_closes_between_rooms() -> None:
    assert circles(arrows()) == []


def test_a_drawing_of_the_rooms_fits_on_a_page() -> None:
    rooms = {room_of(module) for module in modules()} - {FLOOR}
    assert len(rooms) <= ROOMS
    assert len(arrows()) <= ARROWS


def test_files_of_one_name_belong_to_one_noun_in_its_layers() -> None:
    """In an editor's tabs two files differ by their names."""
    places = defaultdict(list)
    for path in modules().values():
        if path.name not in ONE_A_PROGRAM and path.parent.name not in LAYERS:
            places[path.name].append(path.relative_to(ROOT).as_posix())
    assert {name: paths for name, paths in places.items() if len(paths) > 1} == {}


def test_a_class_name_has_one_meaning() -> None:
    homes = defaultdict(list)
    for path in modules().values():
        if not path.stem.startswith(SHAPES_OF_ANSWERS):
            for name in classes(path) - ONE_CLASS_A_PROGRAM:
                homes[name].append(path.relative_to(ROOT).as_posix())
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}


def test_a_constant_means_the_same_in_every_file_of_a_program() -> None:
    """The rules of the restriction analysis keep their names until they are replaced as a whole."""
    values: dict[tuple[str, str], set[str]] = defaultdict(set)
    for path in modules().values():
        relative = path.relative_to(ROOT)
        if relative.parts[:2] != ("ingest", "restriction"):
            for name, value in constants(path):
                values[relative.parts[0], name].add(value)
    assert {key: found for key, found in values.items() if len(found) > 1} == {}


def test_what_routes_work_with_is_typed_and_hangs_on_the_app_in_one_place() -> None:
    """`app.state` takes any name and tells no type: nothing is put there."""
    texts = {path.relative_to(ROOT).as_posix(): path.read_text() for path in modules().values()}
    assert [path for path, text in texts.items() if re.search(r"\bapp\.state\b", text)] == []
    assert [path for path, text in texts.items() if "app.services = " in text] == ["ingest/api/app.py"]


def test_nothing_is_there_for_tests_alone() -> None:
    """Else a change keeps alive what no program runs. A name that a library or a file calls says why."""
    programs = [path for module, path in modules().items() if not module.startswith("migrations")]
    in_use = set().union(*map(used, programs)) | set(CALLED_FROM_ELSEWHERE)
    entry_points = set(re.findall(r"\w+", (ROOT / "pyproject.toml").read_text()))
    found = {name: path.name for path in programs for name in definitions(path)}
    assert {name: file for name, file in found.items() if name not in in_use | entry_points} == {}
