"""
Every route, every role, own and other owner: who may do what, written down here a second time.

OWASP API Security Top 10 2023: rows 1 (object level), 3 (property level), 5 (function level authorization).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cleanside.ingest.api.routes.example import RequestExample
from cleanside.ingest.owners.access import PEOPLE_ROLES, ROLES
from tests.support.databases import migrated_sqlite
from tests.support.matter import a_matter
from tests.support.part_order import an_order, owner_of
from tests.support.people import Browser, invited, quick_passwords, signed_in
from tests.support.prepared import Prepared, prepared
from tests.support.route_examples import EXAMPLES, ROUTES, filled
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process
from tests.support.taken_sheet import a_sheet

EVERYONE = {"device", "integrator", "planner", "operator", "admin"}
STAFF = {"planner", "operator", "admin"}
WATCHERS = STAFF | {"integrator"}
KEEPERS = {"operator", "admin"}
EVERY_PERSON = STAFF | {"viewer", "technician"}
VISITORS = STAFF | {"technician"}

#: method, path -> roles that may; None: open to all, without a key
ALLOWED: dict[tuple[str, str], set[str] | None] = {
    ("POST", "/v1/readings"): {"device", "integrator"},
    ("GET", "/v1/quantities"): EVERYONE,
    ("POST", "/v1/bundles"): KEEPERS,
    ("GET", "/v1/streams"): EVERYONE,
    ("GET", "/v1/streams/{stream}"): EVERYONE,
    ("POST", "/v1/streams/{stream}/appended-through"): KEEPERS,
    ("POST", "/v1/streams/marks"): {"device", "integrator"},
    ("POST", "/v1/declared-events"): {"device", "integrator"},
    ("POST", "/v1/machines/{machine}/plate-photo"): WATCHERS,
    ("GET", "/v1/machines/{machine}/plate-photo"): WATCHERS,
    ("POST", "/v1/entries"): STAFF,
    ("GET", "/v1/entries"): STAFF,
    ("POST", "/v1/device-entries"): {"device", "integrator"},
    ("GET", "/v1/devices/{device}/entries"): WATCHERS,
    ("POST", "/v1/machines"): KEEPERS | {"integrator"},
    ("GET", "/v1/machines"): WATCHERS,
    ("GET", "/v1/machines/{machine}"): WATCHERS,
    ("GET", "/v1/machines/{machine}/newest"): WATCHERS,
    ("PATCH", "/v1/machines/{machine}"): KEEPERS | {"integrator"},
    ("PATCH", "/v1/devices/{device}"): KEEPERS | {"integrator"},
    ("POST", "/v1/machines/{machine}/terminal-restriction"): WATCHERS,
    ("PATCH", "/v1/machines/{machine}/papers"): STAFF,
    ("POST", "/v1/machines/{machine}/meter-readings"): STAFF,
    ("GET", "/v1/machines/{machine}/meter-readings"): WATCHERS,
    ("POST", "/v1/machines/{machine}/gauge-readings"): STAFF,
    ("GET", "/v1/machines/{machine}/gauge-readings"): WATCHERS,
    ("POST", "/v1/machines/{machine}/planned-change"): STAFF,
    ("DELETE", "/v1/machines/{machine}/planned-change"): STAFF,
    ("GET", "/v1/shop"): STAFF,
    ("POST", "/v1/sites"): STAFF,
    ("POST", "/v1/crews"): STAFF,
    ("POST", "/v1/parts"): STAFF,
    ("GET", "/v1/sheet-imports"): STAFF,
    ("POST", "/v1/sheet-imports/{sheet}/taken-back"): STAFF,
    ("GET", "/v1/machines.csv"): STAFF,
    ("POST", "/v1/machines.csv"): STAFF,
    ("GET", "/v1/parts.csv"): STAFF,
    ("POST", "/v1/parts.csv"): STAFF,
    ("GET", "/v1/work"): STAFF,
    ("GET", "/v1/visit-plan"): STAFF,
    ("GET", "/v1/visit-plan/accepted"): STAFF,
    ("POST", "/v1/visit-plan/accepted"): STAFF,
    ("POST", "/v1/visit-plan/taken-back"): STAFF,
    ("GET", "/v1/part-orders"): STAFF,
    ("POST", "/v1/part-orders"): STAFF,
    ("POST", "/v1/part-orders/{order}"): STAFF,
    ("GET", "/v1/planning-terms"): STAFF,
    ("POST", "/v1/planning-terms"): STAFF,
    ("POST", "/v1/machines/{machine}/element-changes"): STAFF,
    ("GET", "/v1/machines/{machine}/element-changes"): WATCHERS,
    ("DELETE", "/v1/machines/{machine}/element-changes"): STAFF,
    ("GET", "/v1/machines/{machine}/restriction"): WATCHERS,
    ("GET", "/v1/machines/{machine}/readings"): WATCHERS,
    ("GET", "/v1/devices/{device}/readings"): WATCHERS,
    ("GET", "/v1/fleet"): WATCHERS,
    ("GET", "/v1/machines/{machine}/lives"): WATCHERS,
    ("GET", "/v1/machines/{machine}/waiting"): WATCHERS,
    ("POST", "/v1/machines/{machine}/prices"): STAFF,
    ("GET", "/v1/machines/{machine}/acceptance"): EVERYONE,
    ("POST", "/v1/machines/{machine}/acceptance/second-reading"): WATCHERS,
    ("POST", "/v1/machines/{machine}/acceptance/hand-comparisons"): WATCHERS,
    ("POST", "/v1/devices"): KEEPERS | {"integrator"},
    ("GET", "/v1/devices"): WATCHERS,
    ("GET", "/v1/devices/{device}"): WATCHERS,
    ("POST", "/v1/devices/{device}/assignments"): KEEPERS | {"integrator"},
    ("GET", "/v1/account"): STAFF,
    ("GET", "/v1/attention"): STAFF,
    ("POST", "/v1/streams/{stream}/resends"): KEEPERS,
    ("DELETE", "/v1/sites/{site}"): STAFF,
    ("GET", "/v1/element-lives"): EVERYONE - {"device"},
    ("GET", "/v1/fleet/changes"): EVERYONE - {"device"},
    ("DELETE", "/v1/crews/{crew}"): STAFF,
    ("DELETE", "/v1/streams/{stream}/resends"): KEEPERS,
    ("GET", "/v1/quarantine"): STAFF | {"device", "integrator"},  # those: of their own devices
    ("POST", "/v1/quarantine/amendments"): KEEPERS,
    ("GET", "/v1/quarantine/amendments"): KEEPERS,
    ("POST", "/v1/quarantine/amendments/{amendment}/undo"): KEEPERS,
    ("POST", "/v1/quarantine/discards"): KEEPERS,
    ("POST", "/v1/quarantine/both-right"): {"operator", "admin"},
    ("POST", "/v1/quarantine/second-instead"): {"operator", "admin"},
    ("POST", "/v1/quarantine/set-aside"): KEEPERS,
    ("POST", "/v1/quarantine/misnumbered"): KEEPERS,
    ("GET", "/v1/boot-corrections"): KEEPERS,
    ("POST", "/v1/boot-corrections/{correction}/undo"): KEEPERS,
    ("POST", "/v1/keys"): {"admin"},
    ("GET", "/v1/keys"): {"admin"},
    ("DELETE", "/v1/keys/{handle}"): {"admin"},
    ("POST", "/v1/keys/{handle}/rotations"): {"device", "admin"},
    ("POST", "/v1/people"): {"admin"},
    ("GET", "/v1/people"): {"admin"},
    ("PATCH", "/v1/people/{person}"): {"admin"},
    ("DELETE", "/v1/people/{person}"): {"admin"},
    ("POST", "/v1/people/{person}/resets"): {"admin"},
    # of whoever is signed in: no key
    ("GET", "/v1/me"): set(),
    ("PATCH", "/v1/me"): set(),
    ("POST", "/v1/me/password"): set(),
    ("GET", "/v1/sessions"): set(),
    ("DELETE", "/v1/sessions/{session}"): set(),
    ("DELETE", "/v1/sessions"): set(),
    ("POST", "/v1/passkeys/options"): set(),
    ("POST", "/v1/passkeys"): set(),
    ("GET", "/v1/passkeys"): set(),
    ("DELETE", "/v1/passkeys/{passkey}"): set(),
    ("POST", "/v1/sessions/passkey-options"): None,
    ("POST", "/v1/sessions/passkey"): None,
    ("POST", "/v1/sessions"): None,
    ("POST", "/v1/invitations/accept"): None,
    ("POST", "/v1/enrolments"): KEEPERS | {"integrator"},
    ("GET", "/v1/enrolments"): KEEPERS | {"integrator"},
    ("DELETE", "/v1/enrolments/{enrolment}"): KEEPERS | {"integrator"},
    ("POST", "/v1/enrol"): None,
    ("POST", "/v1/transfers"): {"admin"},
    ("GET", "/v1/transfers"): {"admin"},
    ("DELETE", "/v1/transfers/{transfer}"): {"admin"},
    ("POST", "/v1/transfers/accept"): {"admin"},
    ("GET", "/v1/audit"): {"admin"},
    ("GET", "/v1/audit/refusals"): {"admin"},
    ("GET", "/metrics"): KEEPERS,
    ("GET", "/v1/webhooks"): {"admin"},
    ("POST", "/v1/webhooks"): {"admin"},
    ("DELETE", "/v1/webhooks/{webhook}"): {"admin"},
    ("GET", "/v1/webhooks/{webhook}/deliveries"): KEEPERS,
    ("POST", "/v1/webhooks/{webhook}/replays"): KEEPERS,
    ("POST", "/v1/webhooks/{webhook}/trials"): KEEPERS,
    ("GET", "/v1/digest"): STAFF,
    ("GET", "/v1/matters"): STAFF,
    ("POST", "/v1/matters/{matter}/answer"): STAFF,
    ("GET", "/v1/me/messages"): set(),
    ("PATCH", "/v1/me/messages"): set(),
    ("POST", "/v1/me/messages/test"): set(),
    ("GET", "/v1/me/calendars"): set(),
    ("POST", "/v1/me/calendars"): set(),
    ("DELETE", "/v1/me/calendars/{calendar}"): set(),
    ("GET", "/v1/messages"): {"admin"},
    ("POST", "/v1/messages/{message}/replay"): {"admin"},
    ("GET", "/v1/message-rules"): {"admin"},
    ("PATCH", "/v1/message-rules"): {"admin"},
    ("GET", "/healthz"): None,
    ("GET", "/readyz"): None,
}

#: the boot of the readings before was placed wrongly
A_CORRECTION = {
    "boots": [{"boot": "boot-1", "first_seq": 1}],
    "events": [
        {"event": "boot_corrected", "boot": "boot-1", "at_seq": 2, "shift_s": -30.0, "uncertainty_s": 1.0}
    ],
}
#: what a route that takes no key answers to a request that brings nothing
WITHOUT_A_CODE = {"/v1/enrol": 403, "/v1/sessions": 403, "/v1/invitations/accept": 403}
WITHOUT_A_CODE |= {"/v1/sessions/passkey-options": 403, "/v1/sessions/passkey": 403}

CHANGES = "/v1/machines/{machine}/element-changes"
#: what the first owner has
NAMES: dict[str, Any] = {
    "machine": "grader-07",
    "housing": "main",
    "device": DEVICE,
    "stream": STREAM,
    "entry": 1,
    "amendment": 1,
    "enrolment": 1,
    "transfer": 1,
    "correction": 1,
    "webhook": 1,
    "person": "mara.lindt",
    "session": 1,
    "site": "oberkies",
    "crew": "early-shift",
    "passkey": 1,
    "calendar": 1,
    "matter": 1,
    "order": 1,
    "sheet": 1,
    "message": 1,
}

OF_MACHINE = "/v1/machines/{machine}"
#: roles of people, where they are not those of keys: method, path -> roles that may
OF_PEOPLE: dict[tuple[str, str], set[str]] = {
    **{("GET", f"/v1/{path}"): EVERY_PERSON for path in ("me", "sessions", "quantities", "streams", "fleet")},
    ("GET", "/v1/streams/{stream}"): EVERY_PERSON,
    ("PATCH", "/v1/me"): EVERY_PERSON,
    ("POST", "/v1/me/password"): EVERY_PERSON,
    ("DELETE", "/v1/sessions/{session}"): EVERY_PERSON,
    ("DELETE", "/v1/sessions"): EVERY_PERSON,
    ("GET", "/v1/element-lives"): EVERY_PERSON,
    ("GET", "/v1/fleet/changes"): EVERY_PERSON,
    ("POST", f"{OF_MACHINE}/plate-photo"): VISITORS,
    ("GET", f"{OF_MACHINE}/plate-photo"): EVERY_PERSON,
    ("POST", "/v1/entries"): VISITORS,
    ("GET", "/v1/entries"): VISITORS,
    ("GET", f"{OF_MACHINE}/newest"): EVERY_PERSON,
    ("POST", "/v1/passkeys/options"): EVERY_PERSON,
    ("POST", "/v1/passkeys"): EVERY_PERSON,
    ("GET", "/v1/passkeys"): EVERY_PERSON,
    ("DELETE", "/v1/passkeys/{passkey}"): EVERY_PERSON,
    ("GET", "/v1/machines"): EVERY_PERSON,
    ("GET", OF_MACHINE): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/element-changes"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/restriction"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/readings"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/lives"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/waiting"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/acceptance"): EVERY_PERSON,
    ("GET", "/v1/devices"): EVERY_PERSON,
    ("GET", "/v1/devices/{device}"): EVERY_PERSON,
    ("GET", "/v1/devices/{device}/entries"): EVERY_PERSON,
    ("GET", "/v1/devices/{device}/readings"): EVERY_PERSON,
    ("POST", f"{OF_MACHINE}/terminal-restriction"): VISITORS,
    ("POST", f"{OF_MACHINE}/acceptance/second-reading"): VISITORS,
    ("POST", f"{OF_MACHINE}/acceptance/hand-comparisons"): VISITORS,
    ("POST", f"{OF_MACHINE}/element-changes"): VISITORS,
    ("DELETE", f"{OF_MACHINE}/element-changes"): VISITORS,
    **{("GET", f"/v1/{path}"): EVERY_PERSON for path in ("shop", "work", "machines.csv", "parts.csv")},
    **{("GET", f"/v1/{path}"): EVERY_PERSON for path in ("planning-terms", "visit-plan", "part-orders")},
    ("GET", "/v1/visit-plan/accepted"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/meter-readings"): EVERY_PERSON,
    ("GET", f"{OF_MACHINE}/gauge-readings"): EVERY_PERSON,
    ("POST", f"{OF_MACHINE}/meter-readings"): VISITORS,
    ("POST", f"{OF_MACHINE}/gauge-readings"): VISITORS,
    ("POST", f"{OF_MACHINE}/planned-change"): VISITORS,
    ("DELETE", f"{OF_MACHINE}/planned-change"): VISITORS,
    ("GET", "/v1/digest"): EVERY_PERSON,
    ("GET", "/v1/matters"): EVERY_PERSON,
    ("POST", "/v1/matters/{matter}/answer"): VISITORS,
    ("GET", "/v1/me/messages"): EVERY_PERSON,
    ("PATCH", "/v1/me/messages"): EVERY_PERSON,
    ("POST", "/v1/me/messages/test"): EVERY_PERSON,
    ("GET", "/v1/me/calendars"): EVERY_PERSON,
    ("POST", "/v1/me/calendars"): EVERY_PERSON,
    ("DELETE", "/v1/me/calendars/{calendar}"): EVERY_PERSON,
    ("POST", "/v1/enrolments"): KEEPERS | {"technician"},
    ("GET", "/v1/enrolments"): KEEPERS | {"technician"},
    ("DELETE", "/v1/enrolments/{enrolment}"): KEEPERS | {"technician"},
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """One of everything that a route names."""
    return prepared(tmp_path_factory.mktemp("shop"), fill)


@pytest.fixture
def api(shop: Prepared, tmp_path: Path) -> Iterator[Api]:
    """Roles and owners do not depend on the database."""
    with shop.copied(tmp_path) as running:
        yield running


def fill(running: Api) -> None:
    running.register()
    running.send(batch(1, [3.0]))
    running.send(batch(40, [900.0], gateway={"appended_through": 100}))
    running.send(batch(2, [3.0], gateway=A_CORRECTION))
    change = EXAMPLES["DELETE", CHANGES].query
    assert running.post(filled(CHANGES, NAMES), filled(change, NAMES)).status_code == 200
    for path in ("/v1/sites", "/v1/crews"):
        assert ask(running, "POST", path, "admin").status_code == 200
    for path in ("/v1/webhooks", "/v1/enrolments", "/v1/transfers"):
        assert ask(running, "POST", path, "admin").status_code == 201
    invited(running, str(NAMES["person"]), "viewer")
    running.resources.writer.call(lambda c: a_matter(c, "grader-07", str(NAMES["person"])))
    running.resources.writer.call(lambda c: an_order(c, owner_of(c, "grader-07")))
    running.resources.writer.call(lambda c: a_sheet(c, owner_of(c, "grader-07")))


def ask(api: Api, method: str, path: str, key: str | None) -> Any:
    """Make the request that the route shows, of what the first owner has."""
    names = NAMES | {"handle": api.tokens["planner"].partition(".")[0]}
    shown = EXAMPLES.get((method, path), RequestExample(body={} if method == "POST" else None))
    more = {} if shown.body is None else {"json": filled(shown.body, names)}
    return api.request(method, filled(path, names), key=key, params=filled(shown.query, names), **more)


def test_every_route_stands_in_the_table() -> None:
    """A new route is denied to all until somebody has written down here who may use it."""
    assert set(ROUTES) == set(ALLOWED), "say in ALLOWED which roles may use it"


@pytest.mark.parametrize(("method", "path"), sorted(ALLOWED))
def test_a_route_is_open_to_the_roles_of_the_table_and_closed_to_all_others(
    api: Api, method: str, path: str
) -> None:
    allowed = ALLOWED[method, path]
    if allowed is None:
        assert ask(api, method, path, None).status_code == WITHOUT_A_CODE.get(path, 200)
        return
    for role in ROLES:
        response = ask(api, method, path, role)
        refused = response.status_code == 403 and response.json()["code"] == "role_not_allowed"
        assert refused == (role not in allowed), (role, response.text)
        assert response.status_code < 500


SIGNS_OUT = ("DELETE", "/v1/sessions")  # whoever asks it is signed in again for the next route


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Browser]]:
    """One server, and somebody of each role who is signed in."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("people"))) as running:
        quick_passwords(running)
        yield {role: signed_in(running, f"{role}.person", role) for role in PEOPLE_ROLES}


@pytest.mark.parametrize(("method", "path"), sorted(ALLOWED))
def test_a_person_may_what_their_role_may_and_nothing_else(
    people: dict[str, Browser], method: str, path: str
) -> None:
    """The whole matrix of routes and roles of people, by the same table of permissions."""
    allowed = OF_PEOPLE.get((method, path), ALLOWED[method, path])
    if allowed is None:
        return
    for role in PEOPLE_ROLES:
        shown = EXAMPLES.get((method, path), RequestExample())
        names = NAMES | {"handle": "k00000000", "session": 2**40}
        body = {} if shown.body is None and method == "POST" else filled(shown.body, names)
        response = people[role].request(method, filled(path, names), body, params=filled(shown.query, names))
        refused = response.status_code == 403 and response.json()["code"] == "role_not_allowed"
        assert refused == (role not in allowed), (role, response.text)
        assert response.status_code < 500
        if (method, path) == SIGNS_OUT:
            people[role].sign_in(f"{role}.person")


def test_the_two_tables_of_roles_have_no_row_that_says_nothing() -> None:
    assert all(roles != ALLOWED[route] for route, roles in OF_PEOPLE.items())


@pytest.mark.parametrize(
    ("method", "path"), [(m, p) for m, p in sorted(ALLOWED) if "{" in p and ALLOWED[m, p]]
)
def test_what_is_another_owners_answers_as_what_is_not_there(api: Api, method: str, path: str) -> None:
    foreign = ask(api, method, path, "quarry admin")
    assert foreign.status_code == 404
    assert foreign.json()["code"].startswith("unknown_")
    shown = foreign.json()["detail"]
    assert "plateau" not in shown
    own = ask(api, method, path, "admin")
    assert own.status_code in (200, 201, 404)  # an amendment has to be made first to be there
    assert own.status_code != 404 or "amendment" in path


def test_another_owner_writes_into_a_namespace_of_its_own(api: Api) -> None:
    """The same names at another owner are other objects: nothing of the first owner changes."""
    before = {path: api.get(path).json() for path in ("/v1/machines", "/v1/devices", "/v1/account")}
    for path in ("/v1/machines", "/v1/devices"):
        assert ask(api, "POST", path, "quarry admin").status_code == 200
    after = {path: api.get(path).json() for path in before}
    assert after == before


def test_an_owner_cannot_be_chosen_in_a_body(api: Api) -> None:
    """Row 3: properties that are not the caller's to set are unknown members."""
    for path, body in (("/v1/machines", {"machine": "x"}), ("/v1/keys", {"role": "planner"})):
        for member in ("owner", "owner_id", "created_at", "id"):
            response = api.post(path, body | {member: "plateau"}, key="quarry admin")
            assert (response.status_code, response.json()["code"]) == (422, "not_valid")


def test_a_device_key_sees_its_own_stream_and_no_other(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()
    headers = {"Authorization": f"Bearer {made['key']}"}
    assert api.get(f"/v1/streams/{STREAM}", key="device").status_code == 200
    assert api.get(f"/v1/streams/{STREAM}", key=None, headers=headers).status_code == 404
