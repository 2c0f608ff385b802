"""How a key begins, is replaced and ends: expiry, rotation, and the admin key that an owner keeps."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.cli import main
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import access, key_life
from cleanside.ingest.store import fleet, keys
from tests.support.concurrent import wait_for_lock
from tests.support.databases import opened
from tests.support.serving import DEVICE, NOW, Api, ServerProcess, batch, bearer, make_keys

DAY_S = 86_400.0
HOUR_S = 3_600.0


def after(days: float) -> str:
    return instant_text(parse_instant(NOW).us + int(days * DAY_S * 1e6))


def make(api: Api, role: str = "planner", *, by: str = "admin", **more: Any) -> dict[str, Any]:
    response = api.post("/v1/keys", {"role": role, **more}, key=by)
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made


def rotate(api: Api, handle: str, *, key: str = "admin", token: str | None = None, **more: Any) -> Any:
    headers = {} if token is None else bearer(token)
    address = f"/v1/keys/{handle}/rotations"
    return api.post(address, more, key=None if token else key, headers=headers)


def asked(api: Api, token: str, path: str = "/v1/streams") -> tuple[int, str]:
    response = api.get(path, key=None, headers=bearer(token))
    return response.status_code, response.json().get("code", "")


def handle_of(token: str) -> str:
    return token.partition(".")[0]


def listed(api: Api, handle: str) -> dict[str, Any]:
    return next(k for k in api.get("/v1/keys").json()["keys"] if k["handle"] == handle)


def code(response: Any) -> tuple[int, str]:
    return response.status_code, response.json().get("code", "")


def revoke(api: Api, handle: str, *, key: str = "admin") -> tuple[int, str]:
    return code(api.request("DELETE", f"/v1/keys/{handle}", key=key))


# ---------------------------------------------------------------- expiry


def test_a_key_is_refused_from_its_end_on_with_a_code_of_its_own(api: Api) -> None:
    made = make(api, expires_at=after(30))
    assert made["expires_at"] == after(30)
    assert asked(api, made["key"]) == (200, "")
    api.clock.advance(30 * DAY_S - 1)
    assert asked(api, made["key"]) == (200, "")
    api.clock.advance(1)  # remembered or not
    assert asked(api, made["key"]) == (401, "key_expired")
    assert asked(api, f"{made['handle']}.{'0' * 64}") == (401, "key_unknown")
    assert listed(api, made["handle"])["state"] == "expired"


def test_a_key_cannot_end_before_it_begins(api: Api) -> None:
    for at in (NOW, after(-1)):
        refused = api.post("/v1/keys", {"role": "planner", "expires_at": at})
        assert code(refused) == (422, "not_valid")
        assert refused.json()["errors"][0]["pointer"] == "#/expires_at"


def test_two_weeks_before_its_end_each_answer_and_the_list_say_so(api: Api) -> None:
    made = make(api, "device", devices=[DEVICE], expires_at=after(30))
    api.register()

    def answers() -> list[str | None]:
        posted = api.post("/v1/readings", batch(1, [3.0]), key=None, headers=bearer(made["key"]))
        refused = api.get("/v1/keys", key=None, headers=bearer(made["key"]))
        assert (posted.status_code, refused.status_code) == (200, 403)
        return [posted.headers.get("key-expires"), refused.headers.get("key-expires")]

    api.clock.advance(16 * DAY_S - 1)
    assert answers() == [None, None]
    assert listed(api, made["handle"])["expires_soon"] is False
    api.clock.advance(1)
    assert answers() == [after(30)] * 2
    assert listed(api, made["handle"])["expires_soon"] is True
    assert "key-expires" not in api.get("/v1/keys").headers


def test_a_code_dies_with_the_end_of_the_key_that_made_it(api: Api) -> None:
    api.register()
    operator = make(api, "operator", expires_at=after(1))
    wanted = {"device": "grader-07-second", "machine": "grader-07"}
    made = api.post("/v1/enrolments", wanted, key=None, headers=bearer(operator["key"])).json()
    api.clock.advance(DAY_S)
    assert code(api.post("/v1/enrol", {"code": made["code"]}, key=None)) == (403, "code_not_valid")


# ---------------------------------------------------------------- rotation


def test_a_successor_has_the_same_role_devices_and_owner_and_the_old_key_ends_after_the_overlap(
    api: Api,
) -> None:
    api.register()
    old = make(api, "device", devices=[DEVICE], note="gateway of grader-07")
    done = rotate(api, old["handle"], overlap_hours=24)
    assert done.status_code == 201
    new = done.json()
    assert (new["role"], new["devices"], new["replaces"]) == ("device", [DEVICE], old["handle"])
    assert new["replaced_ends_at"] == after(1)
    for first, key in ((1, old["key"]), (2, new["key"])):
        answer = api.post("/v1/readings", batch(first, [3.0]), key=None, headers=bearer(key))
        assert answer.json()["stored"] == 1
    shown = listed(api, old["handle"])
    assert (shown["replaced_by"], shown["expires_at"]) == (new["handle"], after(1))
    assert listed(api, new["handle"])["note"] == "gateway of grader-07"
    api.clock.advance(DAY_S)
    assert asked(api, old["key"]) == (401, "key_expired")
    assert asked(api, new["key"]) == (200, "")
    noted = api.get("/v1/audit", params={"what": "key_rotated"}).json()["entries"]
    assert noted[0]["who"] == handle_of(api.tokens["admin"])
    said = noted[0]["values"]
    assert (said["key"], said["successor"], said["ends_at"]) == (old["handle"], new["handle"], after(1))


def test_a_device_key_replaces_itself_and_no_other(api: Api) -> None:
    token = api.tokens["device"]
    done = rotate(api, handle_of(token), key="device")
    assert done.status_code == 201
    assert asked(api, done.json()["key"]) == (200, "")
    other = make(api, "device", devices=[DEVICE])
    missing = rotate(api, "k00000000", key="device")
    assert code(rotate(api, other["handle"], key="device")) == code(missing) == (404, "unknown_key")
    assert code(rotate(api, handle_of(api.tokens["quarry device"]))) == (404, "unknown_key")


@pytest.mark.parametrize("role", ["integrator", "planner", "operator"])
def test_a_key_of_another_role_is_replaced_by_an_admin_alone(api: Api, role: str) -> None:
    handle = handle_of(api.tokens[role])
    assert code(rotate(api, handle, key=role)) == (403, "role_not_allowed")
    assert rotate(api, handle).status_code == 201


def test_a_lost_reply_is_asked_for_again_and_the_secret_that_was_never_seen_is_worth_nothing(
    api: Api,
) -> None:
    """As on a weak link: the gateway asks with the old key until it has the new one on disk."""
    token = api.tokens["device"]
    lost = rotate(api, handle_of(token), token=token).json()
    assert code(rotate(api, handle_of(token), token=token)) == (429, "over_quota")  # a loop makes no load
    api.clock.advance(61)
    second = rotate(api, handle_of(token), token=token).json()
    assert second["handle"] == lost["handle"]
    assert (lost["earlier_secret_made_at"], second["earlier_secret_made_at"]) == (None, NOW)
    assert asked(api, lost["key"]) == (401, "key_unknown")
    assert asked(api, second["key"]) == (200, "")
    api.services.write_down()
    api.clock.advance(61)
    assert code(rotate(api, handle_of(token), token=token)) == (409, "not_rotatable")
    handles = [k["handle"] for k in api.get("/v1/keys").json()["keys"]]
    assert len(handles) == len(access.ROLES) + 1


def test_a_key_that_replaces_itself_in_a_loop_makes_one_row_an_hour(api: Api) -> None:
    token, made, waits = api.tokens["device"], 0, list[int]()
    for _ in range(6 * 12):
        done = rotate(api, handle_of(token), token=token)
        assert code(done) in ((201, ""), (429, "over_quota"))
        if done.status_code == 201:
            token, made = done.json()["key"], made + 1
            assert asked(api, token) == (200, "")
            api.services.write_down()
        else:
            waits.append(int(done.headers["retry-after"]))
        api.clock.advance(300)
    assert made == 6
    assert waits[:11] == [3_600 - 300 * n for n in range(1, 12)], "who waits so long is not refused again"


def test_a_successor_is_valid_for_as_long_as_the_replaced_key_was(api: Api) -> None:
    old = make(api, "device", devices=[DEVICE], expires_at=after(90))
    api.clock.advance(80 * DAY_S)
    new = rotate(api, old["handle"], token=old["key"]).json()
    assert new["expires_at"] == after(170)
    assert new["replaced_ends_at"] == after(90)  # an overlap makes no key last longer
    chosen = rotate(api, old["handle"], expires_at=after(100)).json()
    assert (chosen["handle"], chosen["expires_at"]) == (new["handle"], after(100))


@pytest.mark.parametrize("end", ["revoked", "expired"])
def test_what_has_ended_cannot_be_replaced(api: Api, end: str) -> None:
    made = make(api, expires_at=after(1))
    if end == "revoked":
        assert revoke(api, made["handle"]) == (200, "")
    else:
        api.clock.advance(DAY_S)
    assert code(rotate(api, made["handle"])) == (409, "not_rotatable")


def test_revoking_a_replaced_key_names_the_successor_that_goes_on(api: Api) -> None:
    old = make(api, "device", devices=[DEVICE])
    new = rotate(api, old["handle"]).json()
    ended = api.request("DELETE", f"/v1/keys/{old['handle']}").json()
    assert ended["replaced_by"] == new["handle"]
    assert asked(api, old["key"]) == (401, "key_unknown")
    assert asked(api, new["key"]) == (200, "")


def test_an_integrators_successor_has_its_devices_and_its_open_codes(api: Api) -> None:
    assert api.post("/v1/machines", {"machine": "hauler-09"}).status_code == 200
    wanted = {"device": "hauler-09-intake", "machine": "hauler-09"}
    opened_code = api.post("/v1/enrolments", wanted, key="integrator").json()["code"]
    new = rotate(api, handle_of(api.tokens["integrator"]), overlap_hours=0).json()
    assert asked(api, api.tokens["integrator"]) == (401, "key_expired")
    assert api.post("/v1/enrol", {"code": opened_code}, key=None).status_code == 201
    seen = api.get("/v1/devices", key=None, headers=bearer(new["key"])).json()["devices"]
    assert [d["device"] for d in seen] == ["hauler-09-intake"]


# ---------------------------------------------------------------- the admin key that an owner keeps


def test_the_last_admin_key_cannot_be_revoked_not_even_by_itself(api: Api) -> None:
    mine = handle_of(api.tokens["admin"])
    assert revoke(api, mine) == (409, "last_admin_key")
    second = make(api, "admin")
    assert revoke(api, mine) == (200, "")
    api.tokens["second"] = second["key"]
    assert revoke(api, second["handle"], key="second") == (409, "last_admin_key")
    assert revoke(api, handle_of(api.tokens["quarry admin"]), key="quarry admin") == (409, "last_admin_key")


def test_an_admin_key_that_will_end_does_not_count(api: Api) -> None:
    """Else the owner would be locked out the day it ends, and might not notice before."""
    ends = make(api, "admin", expires_at=after(300))
    assert revoke(api, handle_of(api.tokens["admin"])) == (409, "last_admin_key")
    assert revoke(api, ends["handle"]) == (200, "")


def test_the_last_admin_key_gets_no_end_by_rotation(api: Api) -> None:
    mine = handle_of(api.tokens["admin"])
    assert code(rotate(api, mine, expires_at=after(300))) == (409, "last_admin_key")
    make(api, "admin")
    assert rotate(api, mine, expires_at=after(300)).status_code == 201


def test_a_replaced_admin_key_goes_on_until_its_successor_was_used(api: Api) -> None:
    """The reply was lost: no client has the successor, and the overlap passes."""
    mine = api.tokens["admin"]
    lost = rotate(api, handle_of(mine), overlap_hours=0).json()
    api.clock.advance(1_000 * DAY_S)
    assert asked(api, mine, "/v1/keys") == (200, "")
    assert revoke(api, lost["handle"]) == (409, "last_admin_key")
    again = rotate(api, handle_of(mine), overlap_hours=0).json()
    assert asked(api, again["key"], "/v1/keys") == (200, "")
    api.services.write_down()
    api.services.keyring.forget()
    assert asked(api, mine, "/v1/keys") == (401, "key_expired")
    assert asked(api, again["key"], "/v1/keys") == (200, "")


def test_an_owner_without_any_admin_key_gets_no_first_one_that_ends(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    flags = ["--database", sqlite_database_url, "--owner", "new", "--out", str(tmp_path / "key")]
    words = ["keys", "create", "--role", "admin"]
    assert main([*words, *flags, "--expires-at", "2099-01-01T00:00:00Z"]) == 2
    assert main([*words, *flags]) == 0


def test_a_transfer_leaves_every_admin_key_as_it_was(api: Api) -> None:
    api.register()
    offered = api.post("/v1/transfers", {"machine": "grader-07"}).json()["code"]
    assert api.post("/v1/transfers/accept", {"code": offered}, key="quarry admin").status_code == 200
    for role in ("admin", "quarry admin"):
        assert api.get("/v1/keys", key=role).status_code == 200


def two_admins(url: str) -> Iterator[tuple[sa.Engine, sa.Engine, int]]:
    with opened(url) as one, opened(url) as other:
        with one.begin() as connection:
            owner = fleet.keep_owner(connection, "yard", 0)
            for handle in ("k1", "k2"):
                keys.create(
                    connection,
                    handle=handle,
                    secret_hash="",
                    owner_id=owner,
                    role="admin",
                    note="",
                    devices=[],
                    now_us=0,
                )
        yield one, other, owner


#: what one admin does to the other
ACTS = {
    "revoke": lambda c, owner, victim: key_life.revoke(c, owner, victim, "test", 1),
    "give an end": lambda c, owner, victim: key_life.rotate_for(
        c,
        owner,
        victim,
        access.new_key(),
        who="test",
        itself=False,
        overlap_us=0,
        expires_us=10**18,
        now_us=1,
    ),
}


@pytest.mark.parametrize("act", ACTS)
def test_of_two_admins_that_end_each_other_at_the_same_moment_one_stays(database_url: str, act: str) -> None:
    """Two writing connections, as two processes have: the second waits for the first, and then sees it."""
    for one, other, owner in two_admins(database_url):
        outcomes: list[str] = []

        def end(engine: sa.Engine, victim: str, owner: int = owner, outcomes: list[str] = outcomes) -> None:
            try:
                with engine.begin() as connection:
                    ACTS[act](connection, owner, victim)
                outcomes.append("done")
            except Refused as refused:
                outcomes.append(refused.code)

        with one.begin() as connection:
            ACTS[act](connection, owner, "k2")
            second = threading.Thread(target=end, args=(other, "k1"))
            second.start()
            if not database_url.startswith("sqlite"):
                wait_for_lock(one)
        second.join(30)
        assert outcomes == ["last_admin_key"]
        with one.connect() as connection:
            assert len(keys.lasting_admins(connection, owner)) == 1


def test_many_admins_that_revoke_each_other_over_http_leave_one(server: ServerProcess) -> None:
    tokens = [server.tokens["admin"]]
    with server.client("admin") as client:
        tokens += [client.post("/v1/keys", json={"role": "admin"}).json()["key"] for _ in range(3)]
    ready = threading.Barrier(len(tokens))

    def revoke_all(mine: int) -> None:
        with server.client(None) as client:
            ready.wait(30)
            for victim in tokens[mine + 1 :] + tokens[: mine + 1]:
                client.delete(f"/v1/keys/{handle_of(victim)}", headers=bearer(tokens[mine]))

    threads = [threading.Thread(target=revoke_all, args=(n,)) for n in range(len(tokens))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    with server.client(None) as client:
        valid = [t for t in tokens if client.get("/v1/keys", headers=bearer(t)).status_code == 200]
    assert len(valid) == 1


# ---------------------------------------------------------------- on the command line


def test_the_command_makes_an_admin_key_where_every_other_has_ended(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    make_keys(sqlite_database_url, [DEVICE])
    with opened(sqlite_database_url) as engine, engine.begin() as connection:
        connection.execute(sa.text("UPDATE keys SET revoked_us = 1, expires_us = 1"))
    flags = ["--database", sqlite_database_url, "--owner", "plateau"]
    assert main(["keys", "create", "--role", "admin", "--out", str(tmp_path / "key"), *flags]) == 0


def test_the_command_replaces_a_key_and_says_when_the_old_one_ends(
    sqlite_database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tokens = make_keys(sqlite_database_url, [DEVICE])
    flags = ["--database", sqlite_database_url, "--owner", "plateau"]
    old = handle_of(tokens["device"])
    out = ["--out", str(tmp_path / "key")]
    assert main(["keys", "rotate", old, "--overlap-hours", "0", *out, *flags]) == 0
    new = handle_of((tmp_path / "key").read_text())
    assert (tmp_path / "key").stat().st_mode & 0o777 == 0o600
    capsys.readouterr()
    assert main(["keys", "list", *flags]) == 0
    shown = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert f"replaced by {new}" in shown[old]
    assert "expired" in shown[old]
    assert "valid" in shown[new]
    only = handle_of(tokens["admin"])
    assert main(["keys", "revoke", only, *flags]) == 2
    assert main(["keys", "rotate", only, "--expires-at", "tomorrow", *out, *flags]) == 2
