"""
What generators of clients need of the OpenAPI description, held over all of it.

That two generators of others make clients of it, and that these clients post and read, is shown by
`test_generated_clients.py`. Schemas are judged by the `jsonschema` library (JSON Schema 2020-12).
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import base32_crockford
import jsonschema
import pytest

from cleanside.gateway.units import QUANTITIES, offered
from cleanside.ingest.api.routes.described_kinds import State
from cleanside.ingest.api.routes.meanings import MEANINGS, THERE
from cleanside.ingest.messages.telling import EVENT_TYPES, event_of
from cleanside.ingest.owners.one_time_code import read_code
from cleanside.ingest.store.matters import Matter
from cleanside.ingest.store.outbox import Delivery
from cleanside.ingest.webhooks import announcing
from cleanside.ingest.webhooks.signing import EVENT_MEDIA_TYPE, envelope, signed_headers
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, in_process

Described = dict[str, Any]

#: operation -> id. Programs call operations by these names: whoever renames one breaks them.
OPERATION_IDS = {
    "DELETE /v1/enrolments/{enrolment}": "delete_enrolment",
    "DELETE /v1/keys/{handle}": "delete_key",
    "DELETE /v1/machines/{machine}/element-changes": "delete_element_change",
    "DELETE /v1/machines/{machine}/planned-change": "delete_planned_change",
    "DELETE /v1/me/calendars/{calendar}": "delete_calendar",
    "DELETE /v1/passkeys/{passkey}": "delete_passkey",
    "DELETE /v1/people/{person}": "delete_person",
    "DELETE /v1/crews/{crew}": "delete_crew",
    "DELETE /v1/sites/{site}": "delete_site",
    "DELETE /v1/sessions": "delete_sessions",
    "DELETE /v1/sessions/{session}": "delete_session",
    "DELETE /v1/streams/{stream}/resends": "delete_resend",
    "DELETE /v1/transfers/{transfer}": "delete_transfer",
    "DELETE /v1/webhooks/{webhook}": "delete_webhook",
    "GET /healthz": "get_health",
    "GET /metrics": "get_metrics",
    "GET /readyz": "get_ready",
    "GET /v1/account": "get_account",
    "GET /v1/attention": "get_attention",
    "GET /v1/audit": "get_audit",
    "GET /v1/audit/refusals": "get_audit_refusals",
    "GET /v1/boot-corrections": "get_boot_corrections",
    "GET /v1/devices": "get_devices",
    "GET /v1/devices/{device}": "get_device",
    "GET /v1/devices/{device}/entries": "get_device_entries",
    "GET /v1/devices/{device}/readings": "get_device_readings",
    "GET /v1/digest": "get_digest",
    "GET /v1/enrolments": "get_enrolments",
    "GET /v1/entries": "get_entries",
    "GET /v1/fleet": "get_fleet",
    "GET /v1/keys": "get_keys",
    "GET /v1/machines": "get_machines",
    "GET /v1/machines.csv": "get_machine_sheet",
    "GET /v1/machines/{machine}": "get_machine",
    "GET /v1/machines/{machine}/acceptance": "get_acceptance",
    "GET /v1/machines/{machine}/element-changes": "get_element_changes",
    "GET /v1/machines/{machine}/gauge-readings": "get_gauge_readings",
    "GET /v1/machines/{machine}/lives": "get_lives",
    "GET /v1/machines/{machine}/meter-readings": "get_meter_readings",
    "GET /v1/machines/{machine}/newest": "get_newest",
    "GET /v1/machines/{machine}/plate-photo": "get_plate_photo",
    "GET /v1/machines/{machine}/readings": "get_machine_readings",
    "GET /v1/machines/{machine}/restriction": "get_restriction",
    "GET /v1/machines/{machine}/waiting": "get_waiting",
    "GET /v1/matters": "get_matters",
    "GET /v1/me": "get_me",
    "GET /v1/me/calendars": "get_my_calendars",
    "GET /v1/me/messages": "get_my_messages",
    "GET /v1/message-rules": "get_message_rules",
    "GET /v1/messages": "get_messages",
    "GET /v1/parts.csv": "get_part_sheet",
    "GET /v1/passkeys": "get_passkeys",
    "GET /v1/people": "get_people",
    "GET /v1/quantities": "get_quantities",
    "GET /v1/quarantine": "get_quarantine",
    "GET /v1/planning-terms": "get_planning_terms",
    "GET /v1/quarantine/amendments": "get_amendments",
    "GET /v1/element-lives": "get_element_lives",
    "GET /v1/fleet/changes": "get_fleet_changes",
    "GET /v1/sessions": "get_sessions",
    "GET /v1/shop": "get_shop",
    "GET /v1/streams": "get_streams",
    "GET /v1/streams/{stream}": "get_stream",
    "GET /v1/transfers": "get_transfers",
    "GET /v1/visit-plan": "get_visit_plan",
    "GET /v1/webhooks": "get_webhooks",
    "GET /v1/webhooks/{webhook}/deliveries": "get_webhook_deliveries",
    "GET /v1/work": "get_work",
    "PATCH /v1/devices/{device}": "patch_device",
    "PATCH /v1/machines/{machine}": "patch_machine",
    "PATCH /v1/machines/{machine}/papers": "patch_papers",
    "PATCH /v1/me": "patch_me",
    "PATCH /v1/me/messages": "patch_my_messages",
    "PATCH /v1/message-rules": "patch_message_rules",
    "PATCH /v1/people/{person}": "patch_person",
    "POST /v1/boot-corrections/{correction}/undo": "post_boot_correction_undo",
    "POST /v1/bundles": "post_bundle",
    "POST /v1/crews": "post_crew",
    "POST /v1/declared-events": "post_declared_events",
    "POST /v1/device-entries": "post_device_entries",
    "POST /v1/devices": "post_device",
    "POST /v1/devices/{device}/assignments": "post_device_assignment",
    "POST /v1/enrol": "post_enrol",
    "POST /v1/enrolments": "post_enrolment",
    "POST /v1/entries": "post_entry",
    "POST /v1/invitations/accept": "post_invitation_acceptance",
    "POST /v1/keys": "post_key",
    "POST /v1/keys/{handle}/rotations": "post_key_rotation",
    "POST /v1/machines": "post_machine",
    "POST /v1/machines.csv": "post_machine_sheet",
    "POST /v1/machines/{machine}/acceptance/hand-comparisons": "post_hand_comparison",
    "POST /v1/machines/{machine}/acceptance/second-reading": "post_second_reading",
    "POST /v1/machines/{machine}/element-changes": "post_element_change",
    "POST /v1/machines/{machine}/gauge-readings": "post_gauge_reading",
    "POST /v1/machines/{machine}/meter-readings": "post_meter_reading",
    "POST /v1/machines/{machine}/planned-change": "post_planned_change",
    "POST /v1/machines/{machine}/plate-photo": "post_plate_photo",
    "POST /v1/machines/{machine}/prices": "post_prices",
    "POST /v1/machines/{machine}/terminal-restriction": "post_terminal_restriction",
    "POST /v1/matters/{matter}/answer": "post_matter_answer",
    "POST /v1/me/calendars": "post_calendar",
    "POST /v1/me/messages/test": "post_trial_message",
    "POST /v1/me/password": "post_password",
    "POST /v1/messages/{message}/replay": "post_message_replay",
    "POST /v1/parts": "post_part",
    "POST /v1/parts.csv": "post_part_sheet",
    "POST /v1/passkeys": "post_passkey",
    "POST /v1/passkeys/options": "post_making_options",
    "POST /v1/people": "post_person",
    "POST /v1/people/{person}/resets": "post_person_reset",
    "POST /v1/planning-terms": "post_planning_terms",
    "POST /v1/quarantine/amendments": "post_amendment",
    "POST /v1/quarantine/amendments/{amendment}/undo": "post_amendment_undo",
    "POST /v1/quarantine/both-right": "post_both_right",
    "POST /v1/quarantine/second-instead": "post_second_instead",
    "POST /v1/quarantine/discards": "post_discard",
    "POST /v1/quarantine/set-aside": "post_set_aside",
    "POST /v1/quarantine/misnumbered": "post_misnumbered",
    "POST /v1/readings": "post_readings",
    "POST /v1/sessions": "post_session",
    "POST /v1/sessions/passkey": "post_passkey_use",
    "POST /v1/sessions/passkey-options": "post_sign_in_options",
    "POST /v1/sites": "post_site",
    "POST /v1/streams/marks": "post_marks",
    "POST /v1/streams/{stream}/appended-through": "post_appended_through",
    "POST /v1/streams/{stream}/resends": "post_resend",
    "POST /v1/transfers": "post_transfer",
    "POST /v1/transfers/accept": "post_transfer_acceptance",
    "GET /v1/visit-plan/accepted": "get_accepted_plans",
    "POST /v1/visit-plan/accepted": "post_accepted_plan",
    "POST /v1/visit-plan/taken-back": "post_plan_taken_back",
    "GET /v1/part-orders": "get_part_orders",
    "POST /v1/part-orders": "post_new_part_order",
    "POST /v1/part-orders/{order}": "post_part_order",
    "POST /v1/webhooks": "post_webhook",
    "POST /v1/webhooks/{webhook}/replays": "post_webhook_replay",
    "GET /v1/sheet-imports": "get_sheet_imports",
    "POST /v1/sheet-imports/{sheet}/taken-back": "post_sheet_taken_back",
    "POST /v1/webhooks/{webhook}/trials": "post_webhook_trial",
}
SHORTEST_WORDS = 2
#: how a name ends -> what its description says of the unit
UNITS = {
    "_per_s": "[1/s]",
    "_pa": "Pa",
    "_s": "[s]",
    "_ms": "[ms]",
    "_percent": "[%]",
    "_hours": "[h]",
    "_l_per_h": "[l/h]",
}


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("described"))) as running:
        yield running


@pytest.fixture(scope="module")
def description(api: Api) -> Described:
    """As it is served; read only, and the same for all tests."""
    found: Described = api.get("/openapi.json", key=None).json()
    return found


def operations(description: Described) -> Iterator[tuple[str, Described]]:
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            yield f"{method.upper()} {path}", operation


def schemas_below(node: Any, where: str) -> Iterator[tuple[str, Described]]:
    """Every schema within a schema, itself first, with the place it stands at."""
    if not isinstance(node, dict):
        return
    yield where, node
    for name, member in node.get("properties", {}).items():
        yield from schemas_below(member, f"{where}.{name}")
    for word in ("items", "additionalProperties"):
        yield from schemas_below(node.get(word), f"{where}.{word}")
    for word in ("anyOf", "oneOf", "allOf", "prefixItems"):
        for part in node.get(word, ()):
            yield from schemas_below(part, f"{where}.{word}")


def unnamed(description: Described) -> Iterator[tuple[str, Described]]:
    """Every schema that stands somewhere without a name of its own."""
    for name, schema in description["components"]["schemas"].items():
        yield from list(schemas_below(schema, name))[1:]
    for section in ("paths", "webhooks"):
        for path, methods in description[section].items():
            for method, operation in methods.items():
                where = f"{method} {path}"
                for parameter in operation.get("parameters", ()):
                    yield from schemas_below(parameter["schema"], f"{where} {parameter['name']}")
                for content in contents_of(operation):
                    yield from schemas_below(content.get("schema"), where)


def contents_of(operation: Described) -> Iterator[Described]:
    yield from operation.get("requestBody", {}).get("content", {}).values()
    for response in operation["responses"].values():
        yield from response.get("content", {}).values()


# ---------------------------------------------------------------- names


def test_operation_ids_are_short_unique_and_stay(description: Described) -> None:
    found = {route: operation["operationId"] for route, operation in operations(description)}
    hooks = [methods["post"]["operationId"] for methods in description["webhooks"].values()]
    every = [*found.values(), *hooks]
    assert len(set(every)) == len(every)
    assert [name for name in every if not re.fullmatch(r"[a-z]+(_[a-z]+){1,4}", name) or len(name) > 32] == []
    assert found == OPERATION_IDS, "programs call operations by these names; add a new one, rename none"


def test_no_object_and_no_enumeration_is_without_a_name(description: Described) -> None:
    """A generator would make up a name for each place, and another type each time."""
    objects = [where for where, s in unnamed(description) if s.get("type") == "object" or "properties" in s]
    enumerations = [where for where, s in unnamed(description) if "enum" in s]
    assert (objects, enumerations) == ([], [])


def test_names_of_schemas_are_words(description: Described) -> None:
    names = list(description["components"]["schemas"])
    assert [name for name in names if not re.fullmatch(r"([A-Z][a-z]+)+", name)] == []
    assert [name for name in names if name.startswith("Body")] == []


def test_every_reference_leads_somewhere(description: Described) -> None:
    found = set(re.findall(r'"\$ref": "#/components/schemas/(\w+)"', json.dumps(description)))
    assert found - description["components"]["schemas"].keys() == set()


# ---------------------------------------------------------------- words


def test_every_property_and_parameter_has_a_description(description: Described) -> None:
    without: list[str] = []
    counted = Counter[str]()
    for where, schema in description["components"]["schemas"].items():
        for name, member in schema.get("properties", {}).items():
            counted["properties"] += 1
            if len(member.get("description", "").split()) < SHORTEST_WORDS:
                without.append(f"{where}.{name}")
    for route, operation in operations(description):
        for parameter in operation.get("parameters", ()):
            counted["parameters"] += 1
            if len(parameter.get("description", "").split()) < SHORTEST_WORDS:
                without.append(f"{route} {parameter['name']}")
    assert without == []
    assert counted["properties"] > 600
    assert counted["parameters"] > 80


def test_no_meaning_is_of_a_property_that_is_gone(description: Described) -> None:
    schemas = description["components"]["schemas"]
    used = {
        (name, member["description"])
        for schema in schemas.values()
        for name, member in schema.get("properties", {}).items()
    }
    used |= {
        (p["name"], p["description"]) for _, o in operations(description) for p in o.get("parameters", ())
    }
    assert [name for name, words in MEANINGS.items() if (name, words) not in used] == []
    there = [(schema, name) for schema, words in THERE.items() for name in words]
    assert [(s, n) for s, n in there if THERE[s][n] != schemas[s]["properties"][n]["description"]] == []


def test_every_named_schema_has_a_description(description: Described) -> None:
    schemas = description["components"]["schemas"]
    assert [name for name, schema in schemas.items() if not schema.get("description")] == []


def says_its_unit(name: str, words: str) -> bool:
    """True also for a name that ends in no unit; the first ending that fits decides."""
    unit = next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")
    return unit in words


def test_a_figure_says_its_unit(description: Described) -> None:
    without = [
        f"{where}.{name}"
        for where, schema in description["components"]["schemas"].items()
        for name, member in schema.get("properties", {}).items()
        if name not in QUANTITIES and not says_its_unit(name, member["description"])
    ]
    assert without == []


# ---------------------------------------------------------------- instants and media types

_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")


def test_every_instant_has_its_format(description: Described) -> None:
    """House rule: instants end in _at. What the examples show as an instant is one, too."""
    by_name = [
        (f"{where}.{name}", member)
        for where, schema in description["components"]["schemas"].items()
        for name, member in schema.get("properties", {}).items()
        if name.endswith("_at") and "$ref" not in json.dumps(member)
    ]
    assert [where for where, member in by_name if "date-time" not in json.dumps(member)] == []
    assert len(by_name) > 50


def test_what_the_examples_show_as_an_instant_has_its_format(description: Described) -> None:
    without: set[str] = set()
    for route, operation in operations(description):
        for content in contents_of(operation):
            for schema, value in shown(content):
                without |= {f"{route} {where}" for where in bare_instants(description, schema, value)}
    assert without == set()


def shown(content: Described) -> Iterator[tuple[Described, Any]]:
    if "schema" in content:
        values = [content["example"]] if "example" in content else []
        values += [entry["value"] for entry in content.get("examples", {}).values()]
        yield from ((content["schema"], value) for value in values)


def bare_instants(description: Described, schema: Described, value: Any, where: str = "") -> Iterator[str]:
    """Places of a value where an instant stands and its schema has no format."""
    parts = list(choices(description, schema))
    if isinstance(value, str) and _AT.fullmatch(value):
        if not any(part.get("format") == "date-time" for part in parts):
            yield where
    elif isinstance(value, list):
        items = [part["items"] for part in parts if "items" in part]
        for entry in value:
            for item in items:
                yield from bare_instants(description, item, entry, f"{where}[]")
    elif isinstance(value, dict):
        for name, entry in value.items():
            for part in parts:
                if name in part.get("properties", {}):
                    member = part["properties"][name]
                    yield from bare_instants(description, member, entry, f"{where}.{name}")


def choices(description: Described, schema: Described) -> Iterator[Described]:
    """A schema with what it refers to or may be."""
    yield schema
    if "$ref" in schema:
        yield from choices(description, description["components"]["schemas"][schema["$ref"].split("/")[-1]])
    for word in ("anyOf", "oneOf"):
        for part in schema.get(word, ()):
            yield from choices(description, part)


def test_json_stands_before_every_other_media_type(description: Described) -> None:
    several = 0
    for route, operation in operations(description):
        for response in operation["responses"].values():
            kinds = list(response.get("content", {}))
            several += len(kinds) > 1
            if "application/json" in kinds:
                assert kinds[0] == "application/json", route
    assert several >= 3


def test_a_body_has_one_media_type(description: Described) -> None:
    """A generator makes a union of all that stand there: SenML stands beside, under a name of its own."""
    bodies = {
        route: list(operation["requestBody"]["content"])
        for route, operation in operations(description)
        if "requestBody" in operation
    }
    assert [route for route, kinds in bodies.items() if len(kinds) != 1] == []
    beside = description["paths"]["/v1/readings"]["post"]["x-also-takes"]
    assert list(beside) == ["application/senml+json"]


# ---------------------------------------------------------------- checksums


def test_the_digest_of_the_example_is_that_of_the_example(description: Described, api: Api) -> None:
    """RFC 9530, by the standard library here and by the server where it is posted."""
    post = description["paths"]["/v1/readings"]["post"]
    (header,) = [p for p in post["parameters"] if p["name"] == "Content-Digest"]
    example = post["requestBody"]["content"]["application/json"]["examples"]["numbered"]["value"]
    content = json.dumps(example, separators=(",", ":")).encode()
    digest = base64.b64encode(hashlib.sha256(content).digest()).decode()
    assert header["example"] == f"sha-256=:{digest}:"
    given = {"Content-Type": "application/json", "Content-Digest": header["example"]}
    api.register()
    taken = api.request("POST", "/v1/readings", key="device", content=content, headers=given)
    assert (taken.status_code, taken.json()["stored"]) == (200, 2)
    cut = api.request("POST", "/v1/readings", key="device", content=content + b" ", headers=given)
    assert (cut.status_code, cut.json()["code"]) == (400, "digest_differs")


def test_every_code_that_is_shown_passes_its_check_symbol(description: Described) -> None:
    """By our own reader, and by the library base32-crockford (crockford.com/base32.html)."""
    found = set(re.findall(r"\b[0-9A-Z]{5}-[0-9A-Z]{5}-[0-9A-Z]{5}\b", json.dumps(description)))
    assert found
    for code in found:
        assert read_code(code) == code.replace("-", "")
        assert base32_crockford.decode(code, checksum=True) > 0


# ---------------------------------------------------------------- quantities and units


def test_quantities_and_units_are_enumerations_of_the_one_table(description: Described) -> None:
    schemas = description["components"]["schemas"]
    assert schemas["Quantity"]["enum"] == list(QUANTITIES)
    for name in QUANTITIES:
        first, other = schemas["Units"]["properties"][name]["anyOf"]
        units = schemas[first["$ref"].rpartition("/")[2]]
        assert units["enum"] == offered(name)
        assert other["type"] == "string"
        assert "GET /v1/quantities" in units["description"]
        names = units["x-enum-varnames"]
        assert len({name.casefold() for name in names}) == len(names) == len(units["enum"])
        assert all(name.isidentifier() for name in names)


@pytest.mark.parametrize("name", ["Units", "Reading", "ReadingColumns", "ReadingShown", "BucketShown"])
def test_every_quantity_is_a_member_with_its_words(description: Described, name: str) -> None:
    members = description["components"]["schemas"][name]["properties"]
    assert [quantity for quantity in QUANTITIES if "description" not in members.get(quantity, {})] == []


def test_what_the_server_sends_in_another_spelling_fits(description: Described) -> None:
    """An answer gives a unit as it was asked for: a client with a closed enumeration would fail."""
    schema = {"$ref": "#/components/schemas/Units", "components": description["components"]}
    jsonschema.Draft202012Validator(schema).validate({"engine_speed": "rpm", "restriction": "in. w.g."})


# ---------------------------------------------------------------- webhooks

HOUSING = {
    "machine": "grader-07",
    "housing": "main",
    "state": "due",
    "state_text": "change due",
    "advice": "Change the element.",
    "share_used_percent": 92.0,
    "hours_left": {"p10": 3.0, "p50": 9.5, "p90": 20.0},
}
#: type -> data as `announcing` writes it
A_MATTER = Matter(
    id=7,
    owner_id=1,
    kind="loss_declared",
    subject="devices/d",
    site=None,
    severity=1,
    step=1,
    opened_us=0,
    changed_us=0,
    settled_us=None,
    answered_us=None,
    answered_by=None,
    escalated_us=None,
    about={"device": "d"},
)
DATA = {
    announcing.REGISTERED: {"webhook": 1, "types": [announcing.SILENT]},
    announcing.TRIAL: {"webhook": 1, "types": [announcing.SILENT]},
    announcing.STATE_CHANGED: HOUSING | {"from": "plan", "to": "due"},
    announcing.SILENT: HOUSING | {"quiet_because": "keyed_off", "quiet_s": 90_000.0},
    announcing.CHANGE_FOUND: HOUSING | {"found_at": "2026-03-02T06:00:00Z", "hours_left": None},
    announcing.READINGS_HELD: announcing.of_quarantine([("d", "out_of_range", 3)] * 40, 0)[0].data,
    announcing.LOSS_DECLARED: {
        "readings": 6,
        "groups": [{"device": "d", "event": "readings_lost", "times": 1, "readings": 6}],
    },
    announcing.OUT_OF_BALANCE: announcing.of_account(["number 7 is in no state"], True, 0)[0].data,
    announcing.BALANCES_AGAIN: announcing.of_account([], False, 0)[0].data,
    **{kind: event_of(what, A_MATTER, 0).data for what, kind in EVENT_TYPES.items()},
}


def test_every_type_of_event_has_its_entry(description: Described) -> None:
    assert description["openapi"].startswith("3.1")
    of_itself = {announcing.REGISTERED, announcing.TRIAL}
    assert set(description["webhooks"]) == of_itself | set(announcing.TYPES) == set(DATA)
    assert description["components"]["schemas"]["EventType"]["enum"] == list(announcing.TYPES)


@pytest.mark.parametrize("kind", DATA)
def test_an_event_fits_its_entry(description: Described, kind: str) -> None:
    delivery = Delivery(
        webhook_id=1,
        event_id=7,
        type=kind,
        subject="quarantine",
        at_us=0,
        data=json.dumps(DATA[kind]),
        state="waiting",
        tries=0,
        next_us=0,
        first_tried_us=None,
        settled_us=None,
        reason=None,
        failure=None,
    )
    content = envelope(delivery)
    post = description["webhooks"][kind]["post"]
    schema = post["requestBody"]["content"][EVENT_MEDIA_TYPE]["schema"]
    judge = jsonschema.Draft202012Validator(schema | {"components": description["components"]})
    judge.validate(json.loads(content))
    assert not judge.is_valid(json.loads(content) | {"type": "another"})
    assert not judge.is_valid(json.loads(content) | {"data": {"strange": 1}})


def test_the_headers_that_sign_an_event_are_named(description: Described) -> None:
    sent = signed_headers(
        b"{}", url="https://shop.example/", secret="c2VjcmV0", key_id="webhook-1", created_s=0
    )
    for methods in description["webhooks"].values():
        headers = [p["name"] for p in methods["post"]["parameters"] if p["in"] == "header" and p["required"]]
        assert sorted(headers) == sorted(sent.keys() - {"Content-Type"})


def test_states_of_events_are_those_of_housings(description: Described) -> None:
    found = description["components"]["schemas"]["StateChangedData"]["properties"]
    assert found["from"]["$ref"] == found["to"]["$ref"] == f"#/components/schemas/{State.__name__}"
