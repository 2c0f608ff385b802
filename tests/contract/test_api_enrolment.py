"""Enrolment: a device gets its key with a one-time code, and the readings that waited for it are claimed."""

from __future__ import annotations

import stat
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.cli import main
from cleanside.ingest.intake.receive import MAX_UNKNOWN_HELD
from cleanside.ingest.settings import load
from cleanside.ingest.store.models import audit, enrolments, keys
from tests.support.coded import sentence
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer, in_process

NEW = "loader-02-intake"
HOUR_S = 3_600.0


@pytest.fixture
def shop(api: Api) -> Api:
    """A machine that waits for its device."""
    assert api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"}).status_code == 200
    return api


def make(api: Api, *, key: str = "operator", **more: Any) -> dict[str, Any]:
    body = {"device": NEW, "machine": "loader-02"} | more
    response = api.post("/v1/enrolments", body, key=key)
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made


def show(api: Api, code: str, **more: Any) -> Any:
    return api.post("/v1/enrol", {"code": code} | more, key=None)


def reading(first: int, many: int, *, device: str = NEW) -> dict[str, Any]:
    return batch(first, [3.0] * many) | {"device": device}


def test_a_used_code_ends_the_others_of_its_device_for_the_same_housing(shop: Api) -> None:
    """Made again for a label that was lost, each would give one more key. A prepared move stays open."""
    shop.post("/v1/machines", {"machine": "hauler-09"})
    lost, used = make(shop), make(shop)
    move, other = make(shop, machine="hauler-09"), make(shop, device="loader-02-exhaust")
    assert show(shop, used["code"]).status_code == 201
    assert show(shop, lost["code"]).json()["code"] == "code_not_valid"
    codes = {e["enrolment"]: e["state"] for e in shop.get("/v1/enrolments").json()["enrolments"]}
    states = [codes[made["enrolment"]] for made in (lost, used, move, other)]
    assert states == ["cancelled", "used", "open", "open"]
    with shop.resources.reading() as connection:
        kinds = list(connection.scalars(sa.select(audit.c.what)))
    assert kinds.count("enrolment_cancelled") == 1


def test_a_code_gives_the_key_of_one_device_once(shop: Api) -> None:
    code = make(shop)["code"]
    enrolled = show(shop, code)
    assert enrolled.status_code == 201
    told = enrolled.json()
    assert (told["device"], told["machine"], told["housing"]) == (NEW, "loader-02", "main")
    headers = bearer(told["key"])
    assert shop.post("/v1/readings", reading(1, 2), key=None, headers=headers).json()["stored"] == 2
    other = shop.post("/v1/readings", reading(1, 1, device=DEVICE), key=None, headers=headers)
    assert (other.status_code, other.json()["code"]) == (403, "key_not_for_device")
    again = show(shop, code)
    assert (again.status_code, again.json()["code"]) == (403, "code_not_valid")
    seats = shop.get(f"/v1/devices/{NEW}").json()["assignments"]
    assert [seat["machine"] for seat in seats] == ["loader-02"]


def test_readings_of_an_unknown_device_are_quarantined_for_their_owner_only_and_claimed_by_its_code(
    shop: Api,
) -> None:
    """Row "unknown device" of the checks: kept, bounded, claimable later; end to end."""
    early = shop.post("/v1/keys", {"role": "device", "devices": [NEW]}).json()["key"]
    held = shop.post("/v1/readings", reading(1, 5), key=None, headers=bearer(early))
    assert held.status_code == 200
    assert (held.json()["stored"], held.json()["acknowledged_through"]) == (0, 5)
    assert {entry["code"] for entry in held.json()["quarantined"]} == {"device_unknown"}
    assert shop.get("/v1/quarantine", key="quarry admin").json()["entries"] == []

    enrolled = show(shop, make(shop)["code"]).json()
    assert enrolled["claimed"] == 5
    account = shop.account()
    assert account["balances"]
    assert [(s["stored"], s["quarantined"]) for s in account["streams"]] == [(5, 0)]
    repeated = shop.post("/v1/readings", reading(1, 5), key=None, headers=bearer(enrolled["key"]))
    assert (repeated.json()["stored"], repeated.json()["duplicates"]) == (0, 5)


def test_the_quarantine_of_unknown_devices_is_bounded_and_all_of_it_can_be_claimed(
    sqlite_database_url: str,
) -> None:
    with in_process(sqlite_database_url, devices=(NEW,)) as api:
        api.post("/v1/machines", {"machine": "loader-02"})
        first = 1
        while (response := api.post("/v1/readings", reading(first, 2_500), key="device")).is_success:
            first += 2_500
        assert (response.status_code, response.json()["code"]) == (403, "device_unknown")
        assert first - 1 == MAX_UNKNOWN_HELD
        api.clock.advance(48 * HOUR_S)  # the last of them were taken then
        enrolled = show(api, make(api)["code"])
        assert enrolled.status_code == 201, enrolled.text
        assert enrolled.json()["claimed"] == MAX_UNKNOWN_HELD
        assert api.post("/v1/readings", reading(first, 2_500), key="device").json()["stored"] == 2_500


def test_unreadable_records_count_in_the_quarantine_of_unknown_devices(
    sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cleanside.ingest.intake.receive.MAX_UNKNOWN_HELD", 3)
    with in_process(sqlite_database_url, devices=(NEW,)) as api:
        answers = []
        for seq in range(1, 6):
            record = {"opaque": {"seq": seq, "base64": "bm90IGEgcmVhZGluZw=="}}
            document = {"device": NEW, "stream": STREAM} | record
            answers.append(api.post("/v1/readings", document, key="device").status_code)
        assert answers == [200, 200, 200, 403, 403]


def test_a_code_is_no_longer_valid_after_its_time(shop: Api) -> None:
    code = make(shop, valid_hours=2)["code"]
    shop.clock.advance(2 * HOUR_S)
    assert show(shop, code).json()["code"] == "code_not_valid"
    assert shop.get("/v1/enrolments").json()["enrolments"][0]["state"] == "expired"


def test_a_cancelled_code_is_worth_nothing(shop: Api) -> None:
    made = make(shop)
    cancelled = shop.request("DELETE", f"/v1/enrolments/{made['enrolment']}")
    assert (cancelled.status_code, cancelled.json()["state"]) == (200, "cancelled")
    assert show(shop, made["code"]).json()["code"] == "code_not_valid"


def test_a_code_dies_with_the_key_that_made_it(shop: Api) -> None:
    code = make(shop)["code"]
    handle = shop.tokens["operator"].partition(".")[0]
    assert shop.request("DELETE", f"/v1/keys/{handle}").status_code == 200
    assert show(shop, code).json()["code"] == "code_not_valid"


def test_every_code_that_is_not_valid_gets_one_answer(shop: Api) -> None:
    """Whether it was never made, is used, or is out of date: who tries codes learns nothing."""
    used, old, cancelled = make(shop), make(shop, valid_hours=1), make(shop)
    assert show(shop, used["code"]).status_code == 201
    shop.clock.advance(HOUR_S)
    shop.request("DELETE", f"/v1/enrolments/{cancelled['enrolment']}")
    answers = []
    for code in (used["code"], old["code"], cancelled["code"], "00000-00000-00000"):
        answer = show(shop, code)
        document = answer.json()
        del document["request_id"]
        answers.append((answer.status_code, document))
    assert all(answer == answers[0] for answer in answers)
    assert answers[0][0] == 403


def test_a_code_typed_wrongly_says_so_without_being_looked_for_and_without_being_repeated(shop: Api) -> None:
    answer = show(shop, "K7M3A-9QTWX-2BDF5")
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
    assert answer.json()["detail"] == sentence("code_mistyped")
    assert "K7M3A" not in answer.text


def test_a_gateway_that_takes_itself_for_another_device_is_told_and_the_code_stays_good(shop: Api) -> None:
    code = make(shop)["code"]
    wrong = show(shop, code, device="loader-03-intake")
    assert (wrong.status_code, wrong.json()["code"]) == (409, "code_for_another_device")
    assert show(shop, code, device=NEW).status_code == 201


def test_a_gateway_whose_reply_was_lost_asks_again_and_the_key_it_never_saw_ends(shop: Api) -> None:
    code = make(shop)["code"]
    lost = show(shop, code, attempt="a-random-word").json()
    again = show(shop, code, attempt="a-random-word")
    assert again.status_code == 201
    assert shop.post("/v1/readings", reading(1, 1), key=None, headers=bearer(lost["key"])).status_code == 401
    with_new = shop.post("/v1/readings", reading(1, 1), key=None, headers=bearer(again.json()["key"]))
    assert with_new.status_code == 200


@pytest.mark.parametrize("attempt", ["", "another-word"])
def test_nobody_else_can_ask_again(shop: Api, attempt: str) -> None:
    code = make(shop)["code"]
    assert show(shop, code, attempt="a-random-word" if attempt else "").status_code == 201
    assert show(shop, code, attempt=attempt).json()["code"] == "code_not_valid"


def test_asking_again_ends_after_an_hour(shop: Api) -> None:
    code = make(shop)["code"]
    show(shop, code, attempt="a-random-word")
    shop.clock.advance(HOUR_S)
    assert show(shop, code, attempt="a-random-word").json()["code"] == "code_not_valid"


def test_only_hashes_of_code_key_and_attempt_are_kept(shop: Api) -> None:
    code = make(shop)["code"]
    key = show(shop, code, attempt="a-random-word").json()["key"]
    secrets = (code, code.replace("-", ""), key.partition(".")[2], "a-random-word")
    with shop.resources.reading() as connection:
        for table in (enrolments, keys, audit):
            for row in connection.execute(sa.select(table)):
                assert not any(secret in str(row) for secret in secrets)


def test_an_integrator_enrols_for_itself_and_sees_its_own_codes_only(shop: Api) -> None:
    """It posts for devices it registered, and sees their machines."""
    make(shop)
    mine = make(shop, key="integrator", device="loader-02-other")
    listed = shop.get("/v1/enrolments", key="integrator").json()["enrolments"]
    assert [entry["enrolment"] for entry in listed] == [mine["enrolment"]]
    assert len(shop.get("/v1/enrolments").json()["enrolments"]) == 2
    theirs = shop.get("/v1/enrolments").json()["enrolments"][1]["enrolment"]
    assert shop.request("DELETE", f"/v1/enrolments/{theirs}", key="integrator").status_code == 404
    show(shop, mine["code"])
    assert shop.get("/v1/devices/loader-02-other", key="integrator").status_code == 200


def test_a_device_of_another_key_is_not_an_integrators_to_enrol(shop: Api) -> None:
    shop.register("grader-11-intake", machine="grader-11")
    body = {"device": "grader-11-intake", "machine": "loader-02"}
    answer = shop.post("/v1/enrolments", body, key="integrator")
    assert (answer.status_code, answer.json()["code"]) == (409, "device_taken")


def test_a_device_that_was_registered_meanwhile_is_not_an_integrators_by_an_old_code(shop: Api) -> None:
    code = make(shop, key="integrator")["code"]
    shop.register(NEW, machine="loader-02")
    assert show(shop, code).json()["code"] == "code_not_valid"


def test_a_code_for_a_device_that_is_known_gives_it_a_further_key(shop: Api) -> None:
    """A box is replaced: its device goes on, its history stays; the old key is revoked by a person."""
    shop.register()
    assert shop.send(batch(1, [3.0]))["stored"] == 1
    code = make(shop, device=DEVICE, machine="grader-07")["code"]
    key = show(shop, code).json()["key"]
    answer = shop.post("/v1/readings", batch(1, [3.0, 3.1]), key=None, headers=bearer(key)).json()
    assert (answer["stored"], answer["duplicates"], answer["stream"]) == (1, 1, STREAM)


@pytest.fixture
def few_tries(sqlite_database_url: str) -> Iterator[Api]:
    settings = load(flags={"database": sqlite_database_url, "address_tries_per_minute": 5}, environ={})
    with in_process(sqlite_database_url, settings=settings) as running:
        running.post("/v1/machines", {"machine": "loader-02"})
        yield running


def test_who_tries_codes_has_to_wait(few_tries: Api) -> None:
    code = make(few_tries)["code"]
    for _ in range(5):
        assert show(few_tries, "00000-00000-00000").status_code == 403
    slowed = show(few_tries, "00000-00000-00000")
    assert (slowed.status_code, slowed.json()["code"]) == (429, "over_quota")
    assert 1 <= int(slowed.headers["retry-after"]) <= 12
    # A valid code has to wait too: otherwise the answer would tell a right guess.
    assert show(few_tries, code).status_code == 429


def test_who_tries_keys_has_to_wait_and_keys_that_are_known_go_on(few_tries: Api) -> None:
    few_tries.register()
    assert few_tries.send(batch(1, [3.0]))["stored"] == 1
    for _ in range(5):
        refused = few_tries.get("/v1/machines", key=None, headers=bearer("k0000000.guess"))
        assert refused.status_code == 401
    slowed = few_tries.get("/v1/machines", key=None, headers=bearer("k0000000.guess"))
    assert (slowed.status_code, slowed.json()["code"]) == (429, "over_quota")
    assert few_tries.send(batch(2, [3.0]))["stored"] == 1


def test_keys_that_were_valid_go_on_also_after_another_was_revoked(few_tries: Api) -> None:
    """An admin who revokes a key while somebody guesses shuts out neither others nor himself."""
    few_tries.register()
    assert few_tries.send(batch(1, [3.0]))["stored"] == 1
    made = few_tries.post("/v1/keys", {"role": "planner"}).json()
    for _ in range(6):
        few_tries.get("/v1/machines", key=None, headers=bearer("k0000000.guess"))
    assert few_tries.request("DELETE", f"/v1/keys/{made['handle']}").is_success
    assert few_tries.get("/v1/machines").status_code == 200
    assert few_tries.send(batch(2, [3.0]))["stored"] == 1


def test_the_command_makes_a_code_that_works_and_writes_it_where_only_its_user_reads_it(
    sqlite_database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with in_process(sqlite_database_url) as api:
        api.post("/v1/machines", {"machine": "loader-02"})
        tokens = api.tokens
    where = ["--database", sqlite_database_url, "--owner", "plateau", "--out", str(tmp_path / "code")]
    assert main(["enrol", "--device", NEW, "--machine", "loader-02", *where]) == 0
    code = (tmp_path / "code").read_text().strip()
    assert stat.S_IMODE((tmp_path / "code").stat().st_mode) == 0o600
    assert code not in "".join(capsys.readouterr())
    with in_process(sqlite_database_url, tokens=tokens) as api:
        api.clock.now_us = int(time.time() * 1e6)  # the command goes by the system's clock
        assert show(api, code).status_code == 201


def test_the_command_shows_no_code_to_a_pipe(
    sqlite_database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["enrol", "--device", NEW, "--machine", "loader-02", "--database", sqlite_database_url]
    assert main(words) == 2
    assert "terminal only" in capsys.readouterr().err


# ---------------------------------------------------------------- a monitor that was used elsewhere


def used_on_grader(api: Api) -> None:
    """A monitor with readings on grader-07, until 40 minutes ago."""
    api.register()
    assert api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"}).status_code == 200
    api.send(batch(1, [3.0] * 100))


def seats_of(api: Api, device: str = DEVICE) -> list[tuple[str, str | None, str | None]]:
    found = api.get(f"/v1/devices/{device}").json()["assignments"]
    return [(seat["machine"], seat["from"], seat["until"]) for seat in found]


def test_a_used_monitor_enrolled_on_another_machine_leaves_its_history_there(api: Api) -> None:
    used_on_grader(api)
    made = api.post("/v1/enrolments", {"device": DEVICE, "machine": "loader-02"}, key="operator").json()
    api.clock.advance(HOUR_S)
    done = show(api, made["code"]).json()
    used_at = "2026-03-02T10:00:00Z"
    assert seats_of(api) == [("grader-07", None, used_at), ("loader-02", used_at, None)]
    assert (done["assigned"]["from"], done["assigned"]["until"]) == (used_at, None)
    taken = {"machine": "grader-07", "housing": "main", "from": used_at, "until": None}
    assert done["assigned"]["taken_from"] == [taken | {"hours_with_readings": 0}]
    assert made["if_used_now"]["taken_from"] == [
        taken | {"from": "2026-03-02T09:00:00Z", "hours_with_readings": 0}
    ]


def test_history_moves_only_when_asked_for_and_the_answer_says_what_moves(api: Api) -> None:
    used_on_grader(api)
    body = {"device": DEVICE, "machine": "loader-02", "with_history": True}
    made = api.post("/v1/enrolments", body, key="operator").json()
    taken = {"machine": "grader-07", "housing": "main", "from": None, "until": None}
    assert made["if_used_now"]["taken_from"] == [taken | {"hours_with_readings": 1}]
    done = show(api, made["code"]).json()
    assert done["assigned"] == made["if_used_now"]
    assert seats_of(api) == [("loader-02", None, None)]


def test_a_monitor_enrolled_again_where_it_sits_keeps_its_seat(api: Api) -> None:
    used_on_grader(api)
    made = api.post("/v1/enrolments", {"device": DEVICE, "machine": "grader-07"}, key="operator").json()
    assert show(api, made["code"]).json()["assigned"]["taken_from"] == []
    assert seats_of(api) == [("grader-07", None, None)]


def test_a_seat_that_contradicts_itself_gets_no_code(api: Api) -> None:
    used_on_grader(api)
    body = {"device": DEVICE, "machine": "loader-02", "with_history": True}
    body["assigned_from"] = "2026-02-01T00:00:00Z"
    refused = api.post("/v1/enrolments", body, key="operator")
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
    assert [e["pointer"] for e in refused.json()["errors"]] == ["#/with_history"]


@pytest.mark.parametrize("is_known", [True, False])
def test_wrong_keys_are_slowed_and_leave_the_tries_of_codes_alone(few_tries: Api, is_known: bool) -> None:
    """A box with an old key behind the shop's address, and a technician who enrols a monitor there."""
    code = make(few_tries)["code"]
    made = few_tries.post("/v1/keys", {"role": "planner"}).json()
    assert few_tries.get("/v1/machines", key=None, headers=bearer(made["key"])).status_code == 200
    wrong = bearer(f"{made['handle'] if is_known else 'k0000000'}.guess")
    answers = [few_tries.get("/v1/machines", key=None, headers=wrong) for _ in range(7)]
    assert [answer.status_code for answer in answers] == [401] * 5 + [429] * 2
    assert 1 <= int(answers[-1].headers["retry-after"]) <= 12
    assert few_tries.get("/v1/machines", key=None, headers=bearer(made["key"])).status_code == 200
    assert show(few_tries, code).status_code == 201
