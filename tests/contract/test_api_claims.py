"""Who may register a device name: no integrator reads what another key posted (`ingest.owners.claims`)."""

from __future__ import annotations

import threading
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.owners import claims
from cleanside.ingest.store import fleet, keys
from tests.support.concurrent import wait_for_lock
from tests.support.databases import opened
from tests.support.serving import STREAM, Api, batch, bearer

NEW = "hauler-09-intake"
HOUR_S = 3_600.0


@pytest.fixture
def shop(api: Api) -> Api:
    """A machine that waits for its device, and an integrator's key that is bound to none: "stranger"."""
    assert api.post("/v1/machines", {"machine": "hauler-09"}).status_code == 200
    api.tokens["stranger"] = api.post("/v1/keys", {"role": "integrator"}).json()["key"]
    return api


def a_key(api: Api, device: str = NEW, *, role: str = "device", by: str = "admin") -> str:
    made = api.post("/v1/keys", {"role": role, "devices": [device]}, key=by)
    assert made.status_code == 201, made.text
    key: str = made.json()["key"]
    return key


def post_as(api: Api, key: str, first: int = 1, many: int = 5) -> dict[str, Any]:
    document = batch(first, [3.0] * many) | {"device": NEW}
    response = api.post("/v1/readings", document, key=None, headers=bearer(key))
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


def register(api: Api, key: str, **more: Any) -> tuple[int, str]:
    response = api.post("/v1/devices", {"device": NEW} | more, key=key)
    return response.status_code, response.json().get("code", "")


def ask_for_code(api: Api, key: str) -> Any:
    return api.post("/v1/enrolments", {"device": NEW, "machine": "hauler-09"}, key=key)


def show(api: Api, code: str) -> Any:
    return api.post("/v1/enrol", {"code": code, "device": NEW}, key=None)


def reads_nothing(api: Api, key: str) -> None:
    """Every GET route that lists, and each address of the device's own, name nothing of it to this key."""
    lists = {route.path for route in all_routes() if "GET" in (route.methods or ()) and "{" not in route.path}
    asked = [path for path in sorted(lists - {"/v1/enrolments"}) if path.startswith("/v1/")]  # its own codes
    asked += [f"/v1/devices/{NEW}", f"/v1/streams/{STREAM}", f"/v1/devices/{NEW}/readings"]
    for path in asked:
        response = api.get(path, key=key)
        named = response.status_code == 200 and (NEW in response.text or STREAM in response.text)
        assert not named, (path, response.text)


@pytest.mark.parametrize("still_valid", [True, False])
def test_what_another_key_posted_is_not_an_integrators_by_registering_the_name(
    shop: Api, still_valid: bool
) -> None:
    poster = a_key(shop)
    assert post_as(shop, poster)["stored"] == 0
    if not still_valid:
        assert shop.request("DELETE", f"/v1/keys/{poster.partition('.')[0]}").status_code == 200
    assert register(shop, "stranger") == (409, "device_taken")
    assert register(shop, "stranger", machine="hauler-09") == (409, "device_taken")
    asked = ask_for_code(shop, "stranger")
    assert (asked.status_code, asked.json()["code"]) == (409, "device_taken")
    posted = shop.post("/v1/readings", batch(6, [3.0]) | {"device": NEW}, key="stranger")
    assert (posted.status_code, posted.json()["code"]) == (403, "key_not_for_device")
    reads_nothing(shop, "stranger")
    held = shop.get("/v1/quarantine", params={"device": NEW}).json()["entries"]
    assert [entry["code"] for entry in held] == ["device_unknown"] * 5

    claimed = shop.post("/v1/devices", {"device": NEW, "machine": "hauler-09"}, key="operator")
    assert claimed.json()["claimed"] == 5
    reads_nothing(shop, "stranger")
    assert shop.get("/v1/machines/hauler-09", key="stranger").status_code == 404


def test_a_name_that_another_key_is_bound_to_is_not_free_before_its_first_reading(shop: Api) -> None:
    """Its gateway is out of coverage; what it posts later would be read by whoever registered the name."""
    poster = a_key(shop)
    assert register(shop, "stranger") == (409, "device_taken")
    assert ask_for_code(shop, "stranger").status_code == 409
    assert post_as(shop, poster)["stored"] == 0
    reads_nothing(shop, "stranger")


def test_a_name_is_free_again_once_the_key_that_never_posted_has_ended(shop: Api) -> None:
    handle = a_key(shop).partition(".")[0]
    assert shop.request("DELETE", f"/v1/keys/{handle}").status_code == 200
    assert register(shop, "stranger") == (200, "")


@pytest.mark.parametrize("maker", ["operator", "admin", "integrator"])
def test_a_name_for_which_another_key_made_a_code_is_not_free_until_the_code_ends(
    shop: Api, maker: str
) -> None:
    code = ask_for_code(shop, maker).json()["code"]
    assert register(shop, "stranger") == (409, "device_taken")
    assert ask_for_code(shop, "stranger").status_code == 409
    if maker != "integrator":
        enrolled = show(shop, code)
        assert enrolled.status_code == 201
        assert post_as(shop, enrolled.json()["key"])["stored"] == 5
        reads_nothing(shop, "stranger")
        return
    shop.clock.advance(73 * HOUR_S)
    assert register(shop, "stranger") == (200, "")


def test_an_integrators_code_is_worth_nothing_once_another_key_has_to_do_with_the_name(shop: Api) -> None:
    code = ask_for_code(shop, "stranger").json()["code"]
    poster = a_key(shop)
    assert show(shop, code).json()["code"] == "code_not_valid"
    assert post_as(shop, poster)["stored"] == 0
    assert show(shop, code).json()["code"] == "code_not_valid"
    reads_nothing(shop, "stranger")


@pytest.mark.parametrize("maker", ["operator", "admin"])
def test_a_code_of_a_person_claims_what_waits_and_shows_it_to_no_integrator(shop: Api, maker: str) -> None:
    post_as(shop, a_key(shop))
    enrolled = show(shop, ask_for_code(shop, maker).json()["code"])
    assert (enrolled.status_code, enrolled.json()["claimed"]) == (201, 5)
    reads_nothing(shop, "stranger")


def test_an_integrator_that_an_admin_bound_to_the_name_registers_it(shop: Api) -> None:
    """Binding a key to a device is the admin's word that it may read it."""
    post_as(shop, a_key(shop))
    shop.tokens["bound"] = a_key(shop, role="integrator")
    answer = shop.post("/v1/devices", {"device": NEW}, key="bound")
    assert (answer.status_code, answer.json()["claimed"]) == (200, 5)
    assert shop.get(f"/v1/devices/{NEW}", key="bound").status_code == 200


def test_a_free_name_is_an_integrators_and_stays_so(shop: Api) -> None:
    assert register(shop, "stranger", machine="hauler-09") == (200, "")
    assert post_as(shop, shop.tokens["stranger"])["stored"] == 5
    assert register(shop, "stranger", machine="hauler-09") == (200, "")
    assert ask_for_code(shop, "stranger").status_code == 201
    assert register(shop, "integrator") == (409, "device_taken")


def test_why_a_name_is_taken_is_not_told(shop: Api) -> None:
    """Registered, in quarantine, bound, promised by a code: one answer."""
    answers = []
    for number, step in enumerate(("bound", "quarantine", "code", "registered")):
        name = f"{NEW}-{number}"
        if step == "code":
            shop.post("/v1/enrolments", {"device": name, "machine": "hauler-09"})
        elif step == "registered":
            shop.post("/v1/devices", {"device": name})
        else:
            key = a_key(shop, name)
            document = batch(1, [3.0]) | {"device": name}
            if step == "quarantine":
                shop.post("/v1/readings", document, key=None, headers=bearer(key))
        refused = shop.post("/v1/devices", {"device": name}, key="stranger").json()
        answers.append({**refused, "detail": refused["detail"].replace(name, "NAME"), "request_id": ""})
    assert answers[0]["code"] == "device_taken"
    assert answers.count(answers[0]) == 4


def test_what_comes_for_a_device_after_it_was_given_away_is_not_an_integrators(shop: Api) -> None:
    """A transfer frees the name at the former owner; a late batch there stays in quarantine."""
    shop.post("/v1/devices", {"device": NEW, "machine": "hauler-09"}, key="stranger")
    code = shop.post("/v1/transfers", {"machine": "hauler-09"}).json()["code"]
    taken = shop.post("/v1/transfers/accept", {"code": code}, key="quarry admin")
    assert taken.status_code == 200
    post_as(shop, a_key(shop))
    assert register(shop, "stranger") == (409, "device_taken")
    reads_nothing(shop, "stranger")


def test_a_device_that_came_with_a_machine_is_not_an_integrators_of_the_new_owner(shop: Api) -> None:
    made = shop.post("/v1/keys", {"role": "integrator"}, key="quarry admin")
    shop.tokens["quarry stranger"] = made.json()["key"]
    assert shop.post("/v1/machines", {"machine": "screen-1"}, key="quarry admin").status_code == 200
    wanted = {"device": NEW, "machine": "screen-1"}
    code = shop.post("/v1/enrolments", wanted, key="quarry stranger").json()["code"]
    shop.post("/v1/devices", {"device": NEW, "machine": "hauler-09"})
    post_as(shop, a_key(shop))
    offered = shop.post("/v1/transfers", {"machine": "hauler-09"}).json()["code"]
    assert shop.post("/v1/transfers/accept", {"code": offered}, key="quarry admin").status_code == 200
    assert show(shop, code).json()["code"] == "code_not_valid"
    assert register(shop, "quarry stranger") == (409, "device_taken")
    reads_nothing(shop, "quarry stranger")


@pytest.mark.postgres
def test_a_name_that_is_bound_at_this_moment_is_not_free(postgres: Any) -> None:
    """Two processes: one makes a gateway's key, the other registers the name. The second waits, and sees."""
    url = postgres.migrated()
    found: list[bool] = []
    with opened(url) as engine:
        with engine.begin() as connection:
            owner = fleet.keep_owner(connection, "plateau", 0)
            make(connection, owner, "k1", "integrator", [])
        with engine.begin() as maker:
            make(maker, owner, "k2", "device", [NEW])

            def claim() -> None:
                with engine.begin() as connection:
                    key = keys.by_handle(connection, "k1")
                    assert key is not None
                    found.append(claims.may_claim(connection, key, NEW, 0))

            other = threading.Thread(target=claim)
            other.start()
            wait_for_lock(engine)
        other.join(30)
    assert found == [False]


def make(connection: sa.Connection, owner: int, handle: str, role: str, devices: list[str]) -> None:
    keys.create(
        connection,
        handle=handle,
        secret_hash="",
        owner_id=owner,
        role=role,
        note="",
        devices=devices,
        now_us=0,
    )
