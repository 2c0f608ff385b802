"""A monitor whose every key has ended: the shop says so, since when and what to do."""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.ingest.intake.codes import ATTENTION_STEPS
from tests.contract.test_api_watched import figures
from tests.support.serving import DEVICE, Api, batch

OTHER = "loader-02-intake"


@pytest.fixture(autouse=True)
def registered(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0, 3.1]))


def handle_of(api: Api, name: str = "device") -> str:
    return api.tokens[name].partition(".")[0]


def revoke(api: Api, name: str = "device") -> str:
    """Revoke a key; since when."""
    api.clock.advance(60)
    assert api.request("DELETE", f"/v1/keys/{handle_of(api, name)}").status_code == 200
    return instant_text(api.clock())


def listed(api: Api) -> list[tuple[str, str | None, str, str]]:
    groups = api.get("/v1/attention", key="operator").json()["groups"]
    [group] = [group for group in groups if group["group"] == "without_key"]
    assert group["needs_person"] == group["count"]
    return [(e["device"], e["machine"], e["code"], e["since"]) for e in group["entries"]]


def ended(api: Api) -> dict[str, Any] | None:
    document: dict[str, Any] | None = api.get(f"/v1/devices/{DEVICE}").json()["key_ended"]
    [same] = [d["key_ended"] for d in api.get("/v1/devices").json()["devices"] if d["device"] == DEVICE]
    assert same == document
    return document


def test_a_revoked_key_leaves_a_monitor_that_needs_a_person_at_once(api: Api) -> None:
    assert (listed(api), ended(api), figures(api)["cleanside_devices_without_key"]) == ([], None, 0)
    since = revoke(api)
    assert listed(api) == [(DEVICE, "grader-07", "key_revoked", since)]
    assert ended(api) == {"since": since, "because": "key_revoked"}
    assert figures(api)["cleanside_devices_without_key"] == 1
    [housing] = api.get("/v1/fleet").json()["housings"]
    assert housing["without_key"] == [{"device": DEVICE, "since": since, "because": "key_revoked"}]
    assert api.get("/v1/machines/grader-07/restriction").json()["without_key"] == housing["without_key"]


def test_a_key_revoked_while_a_person_pages_has_not_ended_at_the_instant_of_the_first_page(api: Api) -> None:
    """All pages of a fleet show the instant of the first."""
    api.register(OTHER, "loader-02")
    first = api.get("/v1/fleet", params={"limit": 1}).json()
    revoke(api)
    second = api.get("/v1/fleet", params={"limit": 1, "cursor": first["next"]})
    assert second.status_code == 200, second.text
    assert [housing["without_key"] for housing in (*first["housings"], *second.json()["housings"])] == [
        [],
        [],
    ]


def test_it_is_not_listed_as_silent_too(api: Api) -> None:
    revoke(api)
    api.clock.advance(5 * 86_400)
    groups = {g["group"]: g["count"] for g in api.get("/v1/attention", key="operator").json()["groups"]}
    assert (groups["without_key"], groups["silent"]) == (1, 0)


def test_a_key_that_expires_does_the_same(api: Api) -> None:
    revoke(api)
    ends = instant_text(api.clock() + 3_600_000_000)
    made = api.post("/v1/keys", {"role": "device", "devices": [DEVICE], "expires_at": ends})
    assert made.status_code == 201
    assert listed(api) == []
    api.clock.advance(3_600)
    assert ended(api) == {"since": ends, "because": "key_expired"}


@pytest.mark.parametrize("act", ["a new key", "a program posts for it", "it is retired"])
def test_it_is_over_with(api: Api, act: str) -> None:
    revoke(api)
    if act == "a new key":
        assert api.post("/v1/keys", {"role": "device", "devices": [DEVICE]}).status_code == 201
    elif act == "a program posts for it":
        api.clock.advance(60)
        api.send(batch(3, [3.0]), key="integrator")
    else:
        assert api.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).status_code == 200
    assert (listed(api), ended(api)) == ([], None)


def test_a_monitor_that_a_program_alone_posts_for_has_lost_its_key_with_that_of_the_program(api: Api) -> None:
    revoke(api)
    since = revoke(api, "integrator")
    assert ended(api) == {"since": since, "because": "key_revoked"}


def test_one_that_never_had_a_key_is_not_among_them(api: Api) -> None:
    assert api.post("/v1/devices", {"device": OTHER}).status_code == 200
    assert listed(api) == []


@pytest.mark.parametrize(
    "page",
    ["/monitors", f"/monitors/{DEVICE}", "/machines/grader-07", "/fleet", "/backlog", "/visit/grader-07"],
)
def test_the_pages_say_it(api: Api, page: str) -> None:
    sentence = "no valid key since"
    assert sentence not in api.get(page).text
    revoke(api)
    html = api.get(page).text
    assert sentence in html
    assert "nothing waits, as far as" not in html


def test_the_page_of_keys_says_what_a_revocation_leaves(api: Api) -> None:
    revoke(api)
    html = api.get(f"/keys?revoked={handle_of(api)}").text
    assert "no valid key since" in html
    assert 'href="/monitors#enrol"' in html


def test_each_way_a_key_ends_has_a_next_step() -> None:
    assert {"key_revoked", "key_expired", "key_suspended"} <= ATTENTION_STEPS.keys()
