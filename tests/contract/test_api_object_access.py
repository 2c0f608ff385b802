"""
Every route x every role x own and other owner x bound and unbound device: what is not yours is not there.

Routes, path and query parameters and body members are read from the app: one that is not written down here
fails. A door is a place of a request where the name of somebody's object can be put; behind each, the name of
what another owner has, or of what the key is not bound to, must answer exactly as a name that no machine has.
OWASP API Security Top 10 2023: row 1 (broken object level authorization).
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.owners.access import BOUND_ROLES, ROLES
from tests.contract.test_api_access import A_CORRECTION, ALLOWED
from tests.support.databases import migrated_sqlite
from tests.support.matter import a_matter
from tests.support.part_order import an_order, owner_of
from tests.support.route_examples import EXAMPLES, Route, filled
from tests.support.serving import Api, batch, bearer, in_process
from tests.support.taken_sheet import a_sheet

#: route -> (query, body) of a request in which each object stands as {kind}
REQUESTS = {route: (dict(shown.query), shown.body) for route, shown in EXAMPLES.items()}
#: the same, for routes that take another form as well
OTHER_FORMS = {
    route: (dict(shown.query), shown.other_body)
    for route, shown in EXAMPLES.items()
    if shown.other_body is not None
}
CHANGED_AT = EXAMPLES["DELETE", "/v1/machines/{machine}/element-changes"].query["changed_at"]
#: members and parameters that name somebody's object, and the kind they name
OBJECTS = {
    "machine": "machine",
    "machines": "machine",
    "housing": "housing",
    "device": "device",
    "devices": "device",
    "stream": "stream",
    "handle": "handle",
    "entries": "entry",
    "amendment": "amendment",
    "enrolment": "enrolment",
    "transfer": "transfer",
    "webhook": "webhook",
    "correction": "correction",
    "person": "person",
    "session": "session",
    "site": "site",
    "crew": "crew",
    "passkey": "passkey",
    "calendar": "calendar",
    "matter": "matter",
    "message": "message",
    "order": "order",
    "sheet": "sheet",
}
#: members of bodies that hold no name of an object: values, times, words, choices, and containers of those
PLAIN = {
    *("value", "unit", "valid_from", "terminal_restriction", "housings", "kind", "changed_at", "note"),
    *("in_service_at", "assigned_from", "assigned_until", "where", "without", "preview", "change"),
    *("code", "reason"),
    *("overlap_hours", "expires_at", "with_history", "events", "content", "name", "display_name", "retired"),
    *("entry_id", "what", "confirmed_because"),  # an entry's id counts within its housing alone
    *("acknowledged_through", "appended_through", "streams"),
    *("password", "new_password", "language", "credential"),
    *("address", "alerts", "digest", "digest_at", "quiet_from", "quiet_until", "escalate_after_h", "zone"),
    "sites",  # names that need not exist: a person is not refused for one
    *("first", "last", "role", "units", "shift_s", "offset", "suggested", "valid_hours", "attempt"),
    *(
        "reference_flow",
        "quantity",
        "url",
        "types",
        "from_event",
        "currency",
        "fuel_l_per_h",
        "fuel_price_per_l",
        "element_price",
        "received_since",
        "received_until",
        "appended_through",
        "after_entry",
        "history_from",
        "time_is_right",
        "figures_are_right",
    ),
}
#: query parameters that hold no name of an object
PLAIN_PARAMETERS = {
    "days",
    "moved_days",
    "since",
    "who",
    "what",
    "code",
    "state",
    "after",
    "limit",
    "cursor",
    "until",
    "quantity",
    "unit",
    "resolution",
    "received_since",
    "received_until",
    "format",
    "separator",
    "preview",
    "before",
    "zone",
    "kind",
}
#: route, kind -> why one key of an owner may learn from it that another key of the same owner has the name
SHARED_NAMES = {
    (("POST", "/v1/machines"), "machine"): "names are unique within an owner, so a taken one must be refused",
    (
        ("POST", "/v1/readings"),
        "stream",
    ): "a stream is bound to its device by its first batch; a UUID is no name to guess",
    (("POST", "/v1/enrolments"), "device"): "as for registering a device",
    (("POST", "/v1/devices"), "device"): "names are unique within an owner, so a taken one must be refused",
}
#: members of an answer that are new each time
VOLATILE = {"link", "request_id", "key", "handle", "server_time", "now", "code", "enrolment", "transfer"}
#: routes behind which only a valid one-time code leads anywhere: their own tests show what then
BY_CODE = {("POST", "/v1/transfers/accept")}

UNKNOWN: dict[str, Any] = {
    "machine": "nowhere-99",
    "housing": "nothing",
    "device": "nowhere-99-intake",
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0fff",
    "handle": "k00000000",
    "entry": 2**40,
    "amendment": 2**40,
    "enrolment": 2**40,
    "transfer": 2**40,
    "webhook": 2**40,
    "correction": 2**40,
    "person": "nobody",
    "session": 2**40,
    "site": "nowhere-pit",
    "crew": "nowhere-crew",
    "passkey": 2**40,
    "calendar": 2**40,
    "matter": 2**40,
    "message": 2**40,
    "order": 2**40,
    "sheet": 2**40,
}


@dataclass(frozen=True)
class Fleet:
    """What one owner has, and a key for each role, bound to its device where roles are."""

    names: dict[str, Any]
    tokens: dict[str, str]
    #: keys bound to another device of the same owner
    elsewhere: dict[str, str]


@dataclass(frozen=True)
class World:
    api: Api
    plateau: Fleet
    quarry: Fleet


@dataclass(frozen=True)
class Template:
    """A database with two owners, and their keys: what a test starts from, made once."""

    file: Path
    keys: dict[str, str]
    plateau: Fleet
    quarry: Fleet


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Template:
    """Two owners, each with a machine, a device, a stream, an entry, an amendment and keys."""
    folder: Path = tmp_path_factory.mktemp("owners")
    with in_process(migrated_sqlite(folder), devices=()) as api:
        plateau = a_fleet(api, "admin", "grader-07", "front", "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11")
        quarry = a_fleet(api, "quarry admin", "crusher-01", "rear", "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d22")
        keys = dict(api.tokens)
    return Template(folder / "ingest.db", keys, plateau, quarry)


def copied(template: Template, folder: Path) -> None:
    """The database, and the key of its webhooks' secrets, which does not lie in it."""
    for path in (template.file, template.file.with_name("ingest.db.webhook-key")):
        shutil.copy(path, folder / path.name)


@pytest.fixture(scope="module")
def read_world(template: Template, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """One server for all tests that only read."""
    file = tmp_path_factory.mktemp("read") / "ingest.db"
    copied(template, file.parent)
    with in_process(f"sqlite:///{file}", tokens=template.keys) as api:
        yield World(api, template.plateau, template.quarry)


@pytest.fixture
def world(request: pytest.FixtureRequest, template: Template, tmp_path: Path) -> Iterator[World]:
    """A server of the test's own over a copy of the template: what one test writes no other sees."""
    called = getattr(request.node, "callspec", None)
    if called is not None and called.params.get("route", ("",))[0] == "GET":
        yield request.getfixturevalue("read_world")
        return
    copied(template, tmp_path)
    with in_process(f"sqlite:///{tmp_path / 'ingest.db'}", tokens=template.keys) as api:
        yield World(api, template.plateau, template.quarry)


def enter_change(api: Api, admin: str, machine: str, housing: str) -> None:
    """Enter the element change that `REQUESTS` take back."""
    body = {"changed_at": CHANGED_AT, "housing": housing}
    assert api.post(f"/v1/machines/{machine}/element-changes", body, key=admin).status_code == 200


def a_fleet(api: Api, admin: str, machine: str, housing: str, stream: str) -> Fleet:
    device, other = f"{machine}-intake", f"{machine}-other-intake"
    for name, where in ((device, machine), (other, f"{machine}-other")):
        limit = {"value": 6.2, "unit": "kPa"}
        kept = {"housing": housing, "terminal_restriction": limit}
        body: dict[str, Any] = {"machine": where, "housings": [kept]}
        assert api.post("/v1/machines", body, key=admin).status_code == 200
        body = {"device": name, "machine": where, "housing": housing}
        assert api.post("/v1/devices", body, key=admin).status_code == 200
    tokens, handles = keys_for(api, admin, device)
    elsewhere, _ = keys_for(api, admin, other)
    # One reading is stored, one is quarantined, and that one was looked at again: an amendment.
    document = batch(1, [3.0, 900.0], stream=stream, gateway=A_CORRECTION | {"appended_through": 100}) | {
        "device": device
    }
    sent = ask(api, ("POST", "/v1/readings"), tokens["device"], body=document)
    assert (sent.status_code, sent.json()["stored"]) == (200, 1)
    entry = api.get("/v1/quarantine", key=admin).json()["entries"][0]["entry"]
    amended = api.post("/v1/quarantine/amendments", {"entries": [entry]}, key=admin)
    assert amended.status_code == 200
    enter_change(api, admin, machine, housing)
    names: dict[str, Any] = {"machine": machine, "housing": housing, "device": device, "stream": stream}
    names |= {"handle": handles["planner"], "entry": entry}
    names |= {
        "amendment": api.get("/v1/quarantine/amendments", key=admin).json()["amendments"][0]["amendment"]
    }
    corrected = api.get("/v1/boot-corrections", key=admin).json()["corrections"]
    names |= {"correction": corrected[0]["correction"]}
    for kind in ("enrolment", "transfer"):
        body = {"machine": machine} | ({"device": device, "housing": housing} if kind == "enrolment" else {})
        names |= {kind: api.post(f"/v1/{kind}s", body, key=admin).json()[kind]}
    for kind in ("site", "crew"):
        names |= {kind: f"{machine}-{kind}"}
        assert api.post(f"/v1/{kind}s", {kind: names[kind]}, key=admin).status_code == 200
    hook = api.post("/v1/webhooks", REQUESTS["POST", "/v1/webhooks"][1], key=admin)
    person = f"{machine}.planner"
    assert api.post("/v1/people", {"name": person, "role": "planner"}, key=admin).status_code == 201
    more = {"person": person, "session": 1, "passkey": 1, "calendar": 1, "webhook": hook.json()["webhook"]}
    more |= api.resources.writer.call(lambda connection: a_matter(connection, machine, person))
    order = api.resources.writer.call(lambda connection: an_order(connection, owner_of(connection, machine)))
    more |= {"order": order}
    more |= {"sheet": api.resources.writer.call(lambda c: a_sheet(c, owner_of(c, machine)))}
    return Fleet(names | more, tokens, elsewhere)


def keys_for(api: Api, admin: str, device: str) -> tuple[dict[str, str], dict[str, str]]:
    tokens, handles = {}, {}
    for role in ROLES:
        bound = {"devices": [device]} if role in BOUND_ROLES else {}
        made = api.post("/v1/keys", {"role": role} | bound, key=admin).json()
        tokens[role], handles[role] = made["key"], made["handle"]
    return tokens, handles


def ask(api: Api, route: Route, token: str, *, path: str = "", query: Any = None, body: Any = None) -> Any:
    headers = bearer(token)
    if body is not None:
        headers["Content-Type"] = "application/json"
    content = None if body is None else json.dumps(body).encode()
    return api.request(
        route[0], path or route[1], key=None, headers=headers, params=query or {}, content=content
    )


def doors(route: Route) -> list[str]:
    """The kinds of object that a request of this route names."""
    forms = [REQUESTS.get(route), OTHER_FORMS.get(route)]
    return sorted(set(re.findall(r"{(\w+)}", route[1] + json.dumps(forms))))


def form_for(route: Route, kind: str) -> tuple[dict[str, str], Any]:
    """The form of the request in which this kind of object is named."""
    other = OTHER_FORMS.get(route)
    if other is not None and f"{{{kind}}}" in json.dumps(other):
        return other
    return REQUESTS.get(route, ({}, None))


def request(api: Api, route: Route, token: str, names: dict[str, Any], *, kind: str = "") -> Any:
    query, body = form_for(route, kind)
    if route[0] == "POST" and body is None:
        body = {}
    return ask(
        api, route, token, path=filled(route[1], names), query=filled(query, names), body=filled(body, names)
    )


def shown(response: Any, name: Any) -> tuple[int, Any]:
    """Status and body without what is new each time and without the name that was asked for."""
    document = response.json()
    kept = {key: value for key, value in document.items() if key not in VOLATILE}
    return response.status_code, json.dumps(kept, sort_keys=True).replace(str(name), "NAME")


ROUTES = sorted(route for route, allowed in ALLOWED.items() if allowed is not None)
DOORS = [(route, kind) for route in ROUTES for kind in doors(route)]
#: those whose route a role may use that is bound to devices
BOUND_DOORS = [(route, kind) for route, kind in DOORS if (ALLOWED[route] or set()) & BOUND_ROLES]
#: those that some role may not use
REFUSING = [route for route in ROUTES if set(ROLES) - (ALLOWED[route] or set())]


# ---------------------------------------------------------------- nothing is left out


def members_of(route: Route) -> Iterator[str]:
    """Every member of a route's body, however deep, and every parameter, from the app's own description."""
    for found in all_routes():
        if found.path == route[1] and route[0] in (found.methods or ()):
            yield from (p.alias for p in found.dependant.path_params)
            asked = [p.alias for p in found.dependant.query_params]
            yield from (name for name in asked if name not in PLAIN_PARAMETERS)
            if found.body_field is not None:
                assert found.body_field.field_info.annotation is not None
                schema = TypeAdapter(found.body_field.field_info.annotation).json_schema()
                for part in (schema, *schema.get("$defs", {}).values()):
                    yield from part.get("properties", {})


@pytest.mark.parametrize("route", ROUTES, ids="{0[0]} {0[1]}".format)
def test_every_member_of_a_request_is_a_door_or_plain(route: Route) -> None:
    """A new parameter or member has to be judged: does it name somebody's object?"""
    members = set(members_of(route))
    plain = PLAIN | (EXAMPLES[route].plain if route in EXAMPLES else frozenset())
    assert members - plain - set(OBJECTS) == set(), (
        "show each in the route's @example as {kind} where it names somebody's object, else in its plain="
    )
    assert {OBJECTS[member] for member in members & set(OBJECTS)} <= set(doors(route))


# ---------------------------------------------------------------- what is not yours is not there


@pytest.mark.parametrize(("route", "kind"), DOORS, ids=lambda v: v if isinstance(v, str) else " ".join(v))
def test_a_name_of_another_owner_answers_as_a_name_that_nobody_has(
    world: World, route: Route, kind: str
) -> None:
    """For every role of the other owner; every other name in the request is its own."""
    own = world.quarry.names
    for role in sorted(ALLOWED[route] or ()):
        token = world.quarry.tokens[role]
        foreign, unknown = world.plateau.names[kind], UNKNOWN[kind]
        theirs = request(world.api, route, token, own | {kind: foreign}, kind=kind)
        nobodys = request(world.api, route, token, own | {kind: unknown}, kind=kind)
        if (route, kind) == (("POST", "/v1/machines"), "housing"):  # made by the request, one after the other
            assert theirs.status_code == nobodys.status_code == 200
            continue
        assert shown(theirs, foreign) == shown(nobodys, unknown), (role, theirs.text, nobodys.text)
        assert theirs.status_code not in (401, 405, 422, 500)


@pytest.mark.parametrize(
    ("route", "kind"), BOUND_DOORS, ids=lambda v: v if isinstance(v, str) else " ".join(v)
)
def test_what_a_key_is_not_bound_to_answers_as_a_name_that_nobody_has(
    world: World, route: Route, kind: str
) -> None:
    """For the roles that are bound to devices: another device of the same owner is not there either."""
    own = world.plateau.names
    other = own | {"machine": "grader-07-other", "device": "grader-07-other-intake"}
    for role in sorted((ALLOWED[route] or set()) & BOUND_ROLES):
        token = world.plateau.elsewhere[role]
        theirs = request(world.api, route, token, other | {kind: own[kind]}, kind=kind)
        nobodys = request(world.api, route, token, other | {kind: UNKNOWN[kind]}, kind=kind)
        if (route, kind) in SHARED_NAMES:
            assert theirs.status_code in (404, 409)
        elif kind != "housing":  # the other machine has a housing of that name, too
            assert shown(theirs, own[kind]) == shown(nobodys, UNKNOWN[kind]), (role, theirs.text)


@pytest.mark.parametrize("route", REFUSING, ids="{0[0]} {0[1]}".format)
def test_a_role_without_the_permission_is_refused_before_anything_is_looked_at(
    read_world: World, route: Route
) -> None:
    """
    Own, another owner's, a made-up one: one answer, so that a refusal tells nothing either.

    Who is refused writes nothing: all share the server of those that read.
    """
    plateau, quarry = read_world.plateau, read_world.quarry
    for role in sorted(set(ROLES) - (ALLOWED[route] or set())):
        for token in (plateau.tokens[role], plateau.elsewhere.get(role)):
            if token is None:
                continue
            answers = set()
            for names in (plateau.names, quarry.names, UNKNOWN):
                response = request(read_world.api, route, token, names)
                assert (response.status_code, response.json()["code"]) == (403, "role_not_allowed")
                answers.add(shown(response, ""))
            assert len(answers) == 1


LISTS = [route for route in ROUTES if route[0] == "GET" and "{" not in route[1]]
BOUND_LISTS = [route for route in LISTS if (ALLOWED[route] or set()) & BOUND_ROLES]


@pytest.mark.parametrize("route", LISTS, ids="{0[1]}".format)
def test_a_list_names_nothing_of_another_owner(world: World, route: Route) -> None:
    for role in sorted(ALLOWED[route] or ()):
        for mine, theirs in ((world.plateau, world.quarry), (world.quarry, world.plateau)):
            response = ask(world.api, route, mine.tokens[role])
            assert response.status_code == 200
            for kind in ("machine", "device", "stream", "handle"):
                assert theirs.names[kind] not in response.text


@pytest.mark.parametrize("route", BOUND_LISTS, ids="{0[1]}".format)
def test_a_list_names_no_device_that_the_key_is_not_bound_to(world: World, route: Route) -> None:
    for role in sorted((ALLOWED[route] or set()) & BOUND_ROLES):
        response = ask(world.api, route, world.plateau.elsewhere[role])
        assert response.status_code == 200
        assert f'"{world.plateau.names["device"]}"' not in response.text


#: what the role before deleted -> how it is made again
DELETED_BEFORE = {
    ("DELETE", "/v1/sites/{site}"): ("/v1/sites", "site"),
    ("DELETE", "/v1/crews/{crew}"): ("/v1/crews", "crew"),
}


@pytest.mark.parametrize("route", ROUTES, ids="{0[0]} {0[1]}".format)
def test_with_its_own_names_each_role_of_the_table_gets_through(world: World, route: Route) -> None:
    """Without this the tests above could pass because nothing ever works."""
    if route == ("DELETE", "/v1/keys/{handle}"):
        made = world.api.post("/v1/keys", {"role": "planner"}, key="quarry admin").json()
        names = world.quarry.names | {"handle": made["handle"]}
    else:
        names = world.quarry.names
    for role in sorted(ALLOWED[route] or ()):
        if route == ("DELETE", "/v1/machines/{machine}/element-changes"):  # the role before took it back
            enter_change(world.api, "quarry admin", names["machine"], names["housing"])
        if route in DELETED_BEFORE:
            path, kind = DELETED_BEFORE[route]
            assert world.api.post(path, {kind: names[kind]}, key="quarry admin").is_success
        if role == "device" and route == ("POST", "/v1/keys/{handle}/rotations"):  # itself alone
            names = names | {"handle": world.quarry.tokens[role].partition(".")[0]}
            world.api.clock.advance(3_600)  # which it may do once an hour
        response = request(world.api, route, world.quarry.tokens[role], names)
        undone_before = route[1].endswith(("/undo", "/taken-back")) and response.status_code == 409
        taken = route == ("POST", "/v1/devices") and response.status_code == 409
        if route in BY_CODE:
            assert (response.status_code, response.json()["code"]) == (403, "code_not_valid")
            continue
        if role in BOUND_ROLES and route[1] == "/v1/enrolments/{enrolment}":
            assert response.status_code == 404  # it sees those it made itself; this one an admin made
            continue
        # They take a file: test_api_bundles.py, test_api_spreadsheets.py
        files = ("/v1/bundles", "/v1/machines.csv", "/v1/parts.csv")
        carried = route[0] == "POST" and route[1] in files and response.status_code == 415
        # It needs a number beyond a gap: test_api_misnumbered.py
        no_gap = route == ("POST", "/v1/quarantine/misnumbered") and response.status_code == 422
        assert response.is_success or undone_before or taken or carried or no_gap, (role, response.text)
