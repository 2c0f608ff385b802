"""
One visit to every route of the API, in an order in which each has something to say.

    python -m tests.support.story

writes what was asked and answered into `ingest/api/examples.json`, from where it goes into the OpenAPI
description. A test makes the same visits and holds description and answers against each other. What differs
each time (keys, codes, secrets) is written as a made-up one of the same form.
"""

from __future__ import annotations

import json
import re
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx

from cleanside.ingest.api.description import permission_of
from cleanside.ingest.api.routes.example import RequestExample
from tests.support.addresses import confirm_address
from tests.support.authenticator import Authenticator
from tests.support.databases import migrated_sqlite
from tests.support.matter import a_matter
from tests.support.part_order import an_order, owner_of
from tests.support.people import PASSWORD, Browser, code_of, quick_passwords
from tests.support.route_examples import EXAMPLES as SHOWN
from tests.support.route_examples import ROUTES, filled
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

EXAMPLES = Path(__file__).parents[2] / "ingest" / "api" / "examples.json"
MACHINE = "grader-07"
#: these bring examples of their own (tests/contract/test_api_description.py), or take a file
ELSEWHERE = {
    *("POST /v1/readings", "GET /v1/streams/{stream}"),
    *(
        "POST /v1/bundles",
        "POST /v1/machines.csv",
        "POST /v1/parts.csv",
        "POST /v1/boot-corrections/{correction}/undo",
    ),
}
#: what differs each time -> what stands for it
_MADE_UP = (
    (re.compile(r"k[0-9a-f]{8}\.[0-9a-f]{64}"), "k3f9a1c20." + "5b" * 32),
    (re.compile(r"\bk[0-9a-f]{8}\b"), "k3f9a1c20"),
    (re.compile(r"\b[0-9A-Z]{5}-[0-9A-Z]{5}-[0-9A-Z]{5}\b"), "K7M3A-9QTWX-2BDFT"),
    (re.compile(r"(?<=\bcode=)[0-9a-f]{64}|^[0-9a-f]{64}$|(?<=/calendars/)[0-9a-f]{64}"), "5b" * 32),
    # of passkeys, base64url: what is random or signed, and the handle of a person; no cursor, which begins ["
    (re.compile(r"^(?!Wy)[A-Za-z0-9_-]{43,}$"), "cmFuZG9tIG9yIHNpZ25lZCwgYmFzZTY0dXJs"),
    (re.compile(r"^cD[A-Za-z0-9]{10}$"), "cDNmOWExYzIw"),
    (re.compile(r"[A-Za-z0-9+/]{43}="), "c2VjcmV0IG9mIGEgd2ViaG9vaywgMzIgYnl0ZXMhISE="),
    (re.compile(r"\b[0-9a-f]{16}\b"), "6f2c4d8a00000001"),
)


@dataclass
class Visit:
    """One request and its answer."""

    method: str
    path: str
    status: int
    media_type: str
    answer: Any
    parameters: dict[str, Any] = field(default_factory=dict)
    body: Any = None

    @property
    def route(self) -> str:
        """`METHOD /path`, as the description names it."""
        return f"{self.method} {self.path}"

    def as_example(self) -> dict[str, Any]:
        """What is written down."""
        shown = {"status": self.status, "media_type": self.media_type, "answer": self.answer}
        if self.parameters:
            shown["parameters"] = self.parameters
        if self.body is not None:
            shown["body"] = self.body
        made_up: dict[str, Any] = _with_made_up(shown)
        return made_up


def _with_made_up(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _with_made_up(part) for name, part in value.items()}
    if isinstance(value, list):
        return [_with_made_up(part) for part in value]
    if isinstance(value, str):
        for pattern, instead in _MADE_UP:
            value = pattern.sub(instead, value)
    return value


class Story:
    """Makes visits and remembers the last of each route."""

    def __init__(self, api: Api) -> None:
        self._api = api
        self.visits: dict[str, Visit] = {}

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        key: str | None = "admin",
        browser: Browser | None = None,
        **given: Any,
    ) -> Any:
        """
        Ask a route; `given` are parameters of path and query. browser : of who is signed in; None: a key.

        Returns the answer.
        """
        filled = re.sub(r"{(\w+)}", lambda m: str(given[m[1]]), path)
        asked = {name: value for name, value in given.items() if f"{{{name}}}" not in path}
        more = {"json": body} if body is not None else {}
        if browser is not None:
            reply = browser.request(method, filled, body, params=asked)
        else:
            reply = self._api.request(method, filled, key=key, params=asked, **more)
        if not reply.is_success:
            raise AssertionError(f"{method} {filled}: {reply.status_code} {reply.text[:500]}")
        visit = Visit(method, path, reply.status_code, _media_type(reply), _content(reply), given, body)
        self.visits[visit.route] = visit
        return visit.answer


def _media_type(reply: httpx.Response) -> str:
    return str(reply.headers["content-type"]).partition(";")[0]


def _content(reply: httpx.Response) -> Any:
    return reply.json() if _media_type(reply) == "application/json" else reply.text[:400]


def tell(api: Api) -> Story:
    """Visit every route once at least: those that need an order by hand, all others as their file shows."""
    story = Story(api)
    ask = story.ask
    limit = {"value": 25.0, "unit": "inH2O"}
    ask("POST", "/v1/machines", {"machine": MACHINE, "kind": "grader", "housings": [
        {"housing": "main", "terminal_restriction": limit}]})  # fmt: skip
    ask("POST", "/v1/devices", {"device": DEVICE, "machine": MACHINE, "housing": "main"})
    api.send(_loading())
    api.analyse()
    api.send(batch(5_000, [3.0, 900.0, 3.1], stream=STREAM, gateway={"appended_through": 5_200}))
    api.send(batch(5_000, [3.3], stream=STREAM))  # of another image of the disk
    api.analyse()
    _of_the_machine(ask, limit)
    _of_the_shop(ask)
    _of_spreadsheets(ask, api)
    _of_orders(ask, api)
    _of_readings(ask)
    _of_what_is_held(ask)
    _of_keys(ask)
    _of_webhooks(ask)
    _of_messages(ask, api)
    _of_people(ask, api)
    ask("GET", "/metrics", key="operator")
    ask("GET", "/v1/audit", limit=2)
    api.get("/v1/keys", key="planner")
    api.services.write_down()
    ask("GET", "/v1/audit/refusals")
    _of_all_others(story)
    _of_transfers(ask)  # the machine is another owner's after that
    return story


def _of_the_machine(ask: Any, limit: dict[str, Any]) -> None:
    ask("GET", "/v1/machines", limit=1)
    ask("GET", "/v1/machines/{machine}", machine=MACHINE)
    ask("PATCH", "/v1/machines/{machine}", {"display_name": "Grader 7, gravel plateau"}, machine=MACHINE)
    ask("GET", "/v1/devices", limit=1)
    ask("GET", "/v1/devices/{device}", device=DEVICE)
    ask("PATCH", "/v1/devices/{device}", {"retired": False}, device=DEVICE)
    span = {"machine": MACHINE, "housing": "main", "assigned_from": "2026-01-10T06:00:00Z"}
    ask("POST", "/v1/devices/{device}/assignments", span, device=DEVICE)
    of_it = f"/v1/machines/{'{machine}'}"
    ask("POST", f"{of_it}/terminal-restriction", {**limit, "housing": "main"}, machine=MACHINE)
    ask("POST", f"{of_it}/acceptance/second-reading", {**limit, "housing": "main"}, machine=MACHINE)
    seen = {"subject": "key_off", "compared_with": "seen at the machine", "housing": "main"}
    ask("POST", f"{of_it}/acceptance/hand-comparisons", seen, machine=MACHINE)
    ask("GET", f"{of_it}/acceptance", machine=MACHINE, housing="main")
    change = {"changed_at": "2026-02-20T05:30:00Z", "housing": "main", "note": "with the 500 h service"}
    change |= {"what": "new", "entry_id": "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"}
    ask("POST", f"{of_it}/element-changes", change, machine=MACHINE)
    ask("GET", f"{of_it}/element-changes", machine=MACHINE)
    at_machine = {"seq": 1, "entry_id": "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c03", "at": "2026-03-02T05:40:00Z"}
    at_machine["content"] = {"what": "inspected", "by": "T. Wolny", "note": "seal was dry"}
    sent = {"device": DEVICE, "stream": STREAM, "kept_from": 1, "entered": [at_machine]}
    ask("POST", "/v1/device-entries", sent, key="device")
    ask("GET", "/v1/devices/{device}/entries", device=DEVICE)
    mistaken = {**change, "changed_at": "2026-02-21T05:30:00Z", "note": "entered a day late"}
    mistaken["entry_id"] = "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c02"
    ask("POST", f"{of_it}/element-changes", mistaken, machine=MACHINE)
    ask("DELETE", f"{of_it}/element-changes", machine=MACHINE, changed_at=mistaken["changed_at"])
    prices = {"currency": "EUR", "fuel_l_per_h": 18.0, "fuel_price_per_l": 1.45, "element_price": 140.0}
    ask("POST", f"{of_it}/prices", prices, machine=MACHINE)
    ask("GET", f"{of_it}/waiting", machine=MACHINE)
    ask("GET", f"{of_it}/restriction", machine=MACHINE, since="2026-03-02T05:00:00Z")
    ask("GET", f"{of_it}/lives", machine=MACHINE)
    ask("GET", "/v1/fleet", limit=1)


def _of_the_shop(ask: Any) -> None:
    ask("POST", "/v1/sites", {"site": "oberkies", "display_name": "Oberkies, upper pit"})
    ask("POST", "/v1/crews", {"crew": "early-shift", "display_name": "Early shift"})
    part = {"part": "KG-0715", "description": "primary element", "lead_time_days": 3}
    ask("POST", "/v1/parts", {**part, "stock": [{"site": "oberkies", "pieces": 1}]})
    housing = {"housing": "main", "primary_part": "KG-0715", "calendar_limit_days": 365}
    service = {"service": "500 h service", "meter_hours": 8_500.0}
    papers = {"site": "oberkies", "crew": "early-shift", "next_service": service, "housings": [housing]}
    ask("PATCH", "/v1/machines/{machine}/papers", papers, machine=MACHINE)
    visit = {"machine": MACHINE, "housing": "main", "on": "2026-03-05"}
    accepted = ask("POST", "/v1/visit-plan/accepted", {"zone": "Europe/Vienna", "visits": [visit]})
    ask("GET", "/v1/visit-plan/accepted")
    again = {"accepted_at": accepted["accepted_at"], "zone": "Europe/Vienna"}
    ask("POST", "/v1/visit-plan/taken-back", again)
    plan = {"on": "2026-03-04", "zone": "Europe/Vienna", "note": "at the noon stop"}
    ask("POST", "/v1/machines/{machine}/planned-change", plan, machine=MACHINE)
    ask("GET", "/v1/shop")
    ask("GET", "/v1/work", zone="Europe/Vienna", site="oberkies")
    ask("GET", "/v1/machines.csv", separator="semicolon")
    ask("GET", "/v1/parts.csv")


def _of_spreadsheets(ask: Any, api: Api) -> None:
    content, headers = b"part,lead_time_days\nKG-0715,4\n", {"Content-Type": "text/csv"}
    assert api.request("POST", "/v1/parts.csv", content=content, headers=headers).is_success
    [sheet] = ask("GET", "/v1/sheet-imports")["sheets"]
    ask("POST", "/v1/sheet-imports/{sheet}/taken-back", {}, sheet=sheet["sheet"])


def _of_orders(ask: Any, api: Api) -> None:
    """As if a plan had been accepted while the shelf was empty."""
    order = api.resources.writer.call(lambda connection: an_order(connection, owner_of(connection, MACHINE)))
    ask("GET", "/v1/part-orders")
    step = {"done": "came", "pieces": 2, "site": "oberkies"}
    ask("POST", "/v1/part-orders/{order}", step, order=order)


def _of_readings(ask: Any) -> None:
    ask("GET", "/v1/streams", limit=1)
    false = {"appended_through": 5_100, "reason": "the gateway counted twice"}
    ask("POST", "/v1/streams/{stream}/appended-through", false, stream=STREAM)
    held = [{"stream": STREAM, "acknowledged_through": 1, "appended_through": 1}]
    ask("POST", "/v1/streams/marks", {"device": DEVICE, "streams": held}, key="device")
    loss = {"at_seq": 5_003, "event": "readings_lost", "source": "ndjson-1", "count": 600}
    ask("POST", "/v1/declared-events", {"device": DEVICE, "events": [{"stream": STREAM, "content": loss}]},
        key="device")  # fmt: skip
    span = {"since": "2026-03-02T06:00:00Z", "until": "2026-03-02T06:02:00Z", "limit": 2}
    for path, name in (("/v1/devices/{device}/readings", {"device": DEVICE}), _OF_MACHINE):
        ask("GET", path, **name, **span, quantity="restriction", unit="restriction:kPa")


_OF_MACHINE = ("/v1/machines/{machine}/readings", {"machine": MACHINE})


def _of_what_is_held(ask: Any) -> None:
    (entry,) = ask("GET", "/v1/quarantine", code="out_of_range", limit=1)["entries"]
    held = {"entries": [entry["entry"]]}
    amended = {**held, "change": {"units": {"restriction": "Pa"}}, "note": "the gauge shows Pa"}
    made = ask("POST", "/v1/quarantine/amendments", amended)
    ask("POST", "/v1/quarantine/amendments/{amendment}/undo", amendment=made["amendment_id"])
    ask("POST", "/v1/quarantine/discards", {**held, "reason": "the tube was off"})
    aside = {
        "stream": STREAM,
        "first": 5_000,
        "last": 5_002,
        "reason": "weeks in the wrong unit",
        "preview": True,
    }
    ask("POST", "/v1/quarantine/set-aside", aside)
    mistyped = {"stream": STREAM, "first": 5_002, "reason": "mistyped; it was 502", "preview": True}
    ask("POST", "/v1/quarantine/misnumbered", mistyped)
    second = {
        "where": {"code": "number_conflict"},
        "machine": MACHINE,
        "note": "an old image",
        "preview": True,
    }
    ask("POST", "/v1/quarantine/both-right", second)
    instead = {"where": {"code": "number_conflict"}, "reason": "the first was an old image", "preview": True}
    ask("POST", "/v1/quarantine/second-instead", instead)
    ask("GET", "/v1/quarantine/amendments", limit=1)
    ask("GET", "/v1/boot-corrections", limit=1)


def _of_all_others(story: Story) -> None:
    """Routes that no line here names: a new one needs none, as long as its own file shows a request."""
    names = {"machine": MACHINE, "device": DEVICE, "stream": STREAM, "housing": "main"}
    names |= {"site": "oberkies", "crew": "early-shift"}
    for (method, path), route in ROUTES.items():
        if f"{method} {path}" not in {*story.visits, *ELSEWHERE} and "/transfers" not in path:
            shown = SHOWN.get((method, path), RequestExample())
            given: dict[str, Any] = {kind: names[kind] for kind in re.findall(r"{(\w+)}", path)}
            given |= filled(shown.query, names)
            key = None if permission_of(route) is None else "admin"
            story.ask(method, path, filled(shown.body, names), key=key, **given)


def _of_keys(ask: Any) -> None:
    made = ask("POST", "/v1/keys", {"role": "device", "devices": [DEVICE], "note": "gateway of grader-07"})
    ask("GET", "/v1/keys", limit=1)
    ask("POST", "/v1/keys/{handle}/rotations", {"overlap_hours": 720}, handle=made["handle"])
    ask("DELETE", "/v1/keys/{handle}", handle=made["handle"])
    code = ask(
        "POST",
        "/v1/enrolments",
        {"device": "loader-02-intake", "machine": MACHINE, "note": "for the technician"},
    )
    ask("GET", "/v1/enrolments", limit=1)
    attempt = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
    ask("POST", "/v1/enrol", {"code": code["code"], "attempt": attempt}, key=None)
    other = ask("POST", "/v1/enrolments", {"device": "loader-03-intake", "machine": MACHINE})
    ask("DELETE", "/v1/enrolments/{enrolment}", enrolment=other["enrolment"])


def _of_messages(ask: Any, api: Api) -> None:
    """Before the people of the story: a planner who hears of a machine over its limit."""
    quick_passwords(api)
    api.resources.settings = replace(api.resources.settings, smtp_host="mail.shop.example")
    browser = Browser(api)
    made = api.post("/v1/people", {"name": "ines.roth", "role": "planner"}).json()
    code = {"code": code_of(made["link"]), "password": PASSWORD}
    assert browser.post("/v1/invitations/accept", code).is_success
    chosen = {"address": "ines@shop.example", "alerts": ["over_limit", "check_first"], "digest": "daily"}
    chosen |= {"zone": "Europe/Vienna", "quiet_from": "22:00", "quiet_until": "06:00"}
    ask("PATCH", "/v1/me/messages", chosen, browser=browser)
    confirm_address(api, "ines.roth")
    ask("POST", "/v1/me/messages/test", browser=browser)
    ask("GET", "/v1/me/messages", browser=browser)
    calendar = ask("POST", "/v1/me/calendars", {"zone": "Europe/Vienna"}, browser=browser)["calendar"]
    ask("GET", "/v1/me/calendars", browser=browser)
    ask("DELETE", "/v1/me/calendars/{calendar}", browser=browser, calendar=calendar)
    ask("PATCH", "/v1/message-rules", {"person": "ines.roth", "escalate_after_h": 8})
    noticed = api.resources.writer.call(lambda connection: a_matter(connection, MACHINE, "ines.roth"))
    ask("GET", "/v1/matters")
    ask("POST", "/v1/matters/{matter}/answer", matter=noticed["matter"])
    ask("GET", "/v1/messages", limit=1)
    ask("POST", "/v1/messages/{message}/replay", message=noticed["message"])
    ask("GET", "/v1/digest", zone="Europe/Vienna")


def _of_people(ask: Any, api: Api) -> None:
    quick_passwords(api)
    browser = Browser(api)
    wanted = {"name": "mara.lindt", "role": "technician", "display_name": "Mara Lindt"}
    made = ask("POST", "/v1/people", wanted | {"sites": ["oberkies"]})
    ask("GET", "/v1/people", limit=1)
    code = {"code": code_of(made["link"]), "password": PASSWORD}
    ask("POST", "/v1/invitations/accept", code, browser=browser)
    ask("POST", "/v1/sessions", {"name": "mara.lindt", "password": PASSWORD}, browser=browser)
    ask("GET", "/v1/me", browser=browser)
    ask("PATCH", "/v1/me", {"language": "de"}, browser=browser)
    change = {"password": PASSWORD, "new_password": "seven graders on gravel"}
    ask("POST", "/v1/me/password", change, browser=browser)
    _of_passkeys(ask, browser)
    [this, *_] = ask("GET", "/v1/sessions", browser=browser)["sessions"]
    ask("DELETE", "/v1/sessions/{session}", browser=browser, session=this["session"])
    browser.sign_in("mara.lindt", "seven graders on gravel")
    ask("DELETE", "/v1/sessions", browser=browser)
    for kind in ("site", "crew"):
        api.post(f"/v1/{kind}s", {kind: "lot-4"})
        ask("DELETE", f"/v1/{kind}s/{{{kind}}}", **{kind: "lot-4"})
    ask("PATCH", "/v1/people/{person}", {"role": "planner", "sites": []}, person="mara.lindt")
    ask("POST", "/v1/people/{person}/resets", person="mara.lindt")
    ask("DELETE", "/v1/people/{person}", person="mara.lindt")


def _of_passkeys(ask: Any, browser: Browser) -> None:
    """Under localhost: a passkey is bound to a name."""
    browser.base = "http://localhost:8750"
    token = Authenticator(browser.base, "localhost")
    options = ask("POST", "/v1/passkeys/options", {"password": "seven graders on gravel"}, browser=browser)[
        "options"
    ]
    body = {"name": "phone", "credential": token.make(options)}
    passkey = ask("POST", "/v1/passkeys", body, browser=browser)["passkey"]
    options = ask("POST", "/v1/sessions/passkey-options", browser=browser)["options"]
    ask("POST", "/v1/sessions/passkey", {"credential": token.sign(options)}, browser=browser)
    ask("GET", "/v1/passkeys", browser=browser)
    ask("DELETE", "/v1/passkeys/{passkey}", browser=browser, passkey=passkey)


def _of_webhooks(ask: Any) -> None:
    wanted = {"url": "https://shop.example/cleanside", "types": ["cleanside.state.changed"]}
    made = ask("POST", "/v1/webhooks", wanted)["webhook"]
    ask("GET", "/v1/webhooks", limit=1)
    ask("GET", "/v1/webhooks/{webhook}/deliveries", webhook=made, limit=1)
    ask("POST", "/v1/webhooks/{webhook}/replays", {"from_event": 1}, webhook=made)
    ask("POST", "/v1/webhooks/{webhook}/trials", webhook=made)  # its name leads nowhere (RFC 6761)
    ask("DELETE", "/v1/webhooks/{webhook}", webhook=made)


def _of_transfers(ask: Any) -> None:
    other = ask("POST", "/v1/transfers", {"machine": MACHINE, "note": "changed our mind"})
    ask("DELETE", "/v1/transfers/{transfer}", transfer=other["transfer"])
    sold = ask("POST", "/v1/transfers", {"machine": MACHINE, "note": "sold with its monitor"})
    ask("GET", "/v1/transfers", limit=1)
    ask("POST", "/v1/transfers/accept", {"code": sold["code"]}, key="quarry admin")


def _loading() -> dict[str, Any]:
    """One reading a minute at rated speed up to the server's now, restriction rising."""
    count = 80 * 60
    return {
        "device": DEVICE,
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": 1,
        "start": "2026-02-27T01:00:00Z",
        "step_ms": [0] + [60_000] * (count - 1),
        "columns": {
            "restriction": [2.0 + 2.0 * i / count for i in range(count)],
            "engine_speed": [1800.0 + i % 7 for i in range(count)],
        },
    }


def main() -> None:
    """Write the examples again."""
    with tempfile.TemporaryDirectory() as folder, in_process(migrated_sqlite(Path(folder))) as api:
        found = tell(api).visits
    examples = {route: found[route].as_example() for route in sorted(found)}
    EXAMPLES.write_text(json.dumps(examples, indent=1, ensure_ascii=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
