"""Who may see what: the machine's name without the code, everything with it; hostile texts stay texts."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from typing import Any

import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.beside.http_listener import PageAnswer, PageRequest
from cleanside.gateway.beside.label_code import MOST_WRONG, Doorkeeper
from cleanside.gateway.beside.machine_facts import MachineFacts
from cleanside.gateway.beside.reception import Reception
from cleanside.gateway.beside.watch import LastValue

CODE = "7K3M-9QAZ"
DEVICE = "grader-07-intake"
LINK = {
    "failing_s": None,
    "reason": None,
    "last_word": "status 200",
    "waits_for": "readings",
    "waits_s": 3.0,
}
FACTS = MachineFacts(
    device=DEVICE,
    values=[
        LastValue("restriction", 3.05, "kPa", 2.0),
        LastValue("engine_speed", 1795.0, "rpm", 2.0),
        LastValue("signal_strength", -85.0, "dBm", 60.0),
    ],
    checks=[
        spot_checks.supply([27.4, 27.3, 27.5]),
        spot_checks.key_off(stayed_s=0.0, power_cycles=0),
        spot_checks.clock(uncertainty_s=0.4, anchor="gps"),
        spot_checks.zero([300.0] * 3),
        spot_checks.answer([], []),
    ],
    signal=[(300.0, -97.0), (10.0, -85.0)],
    backlog=212,
    oldest_s=7_500.0,
    link=LINK,
)


def reception(facts: MachineFacts = FACTS) -> Reception:
    keeper = Doorkeeper(lambda: CODE, now_us=lambda: 0, random=os.urandom)
    return Reception(facts.device, doorkeeper=keeper, facts=lambda: facts, random=os.urandom)


def asked(path: str = "/", method: str = "GET", **more: Any) -> PageRequest:
    return PageRequest(method=method, path=path, address="192.168.4.7", **more)


def pass_of(desk: Reception) -> dict[str, str]:
    """The headers of who showed the code."""
    opened = desk.answer(asked("/", query={"code": CODE}))
    return {"cookie": opened.headers["Set-Cookie"].partition(";")[0]}


def text(page: PageAnswer) -> str:
    """What a person reads."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.body.partition("<main>")[2]))


def test_without_the_code_the_page_says_which_machine_it_is_and_no_more() -> None:
    page = reception().answer(asked())
    assert (page.status, DEVICE in page.body) == (200, True)
    assert "3.05" not in page.body
    assert "212" not in page.body


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [("GET", "/live", 403), ("GET", "/live.json", 403), ("POST", "/entry", 403), ("GET", "/entry", 303)],
)
def test_nothing_else_opens_without_a_pass(method: str, path: str, status: int) -> None:
    desk = reception()
    for headers in (
        {},
        {"cookie": "beside="},
        {"cookie": f"beside={'0' * 32}"},
        {"cookie": f"beside={CODE}"},
    ):
        page = desk.answer(asked(path, method, headers=headers))
        assert (page.status, "3.05" in page.body) == (status, False)


def test_the_labels_qr_code_opens_the_page_and_leaves_no_code_in_the_address() -> None:
    opened = reception().answer(asked("/", query={"code": "7k3m9qaz"}))
    assert (opened.status, opened.headers["Location"]) == (303, "/")
    cookie = opened.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie  # plain HTTP on the machine's own network


def test_the_typed_code_opens_the_page() -> None:
    desk = reception()
    opened = desk.answer(asked("/code", "POST", form={"code": CODE}))
    page = desk.answer(asked(headers={"cookie": opened.headers["Set-Cookie"].partition(";")[0]}))
    assert (opened.status, page.status, "3.05" in page.body) == (303, 200, True)


def test_wrong_codes_are_refused_then_not_even_compared() -> None:
    desk = reception()
    statuses = [
        desk.answer(asked("/code", "POST", form={"code": "nope"})).status for _ in range(MOST_WRONG + 1)
    ]
    assert statuses == [403] * MOST_WRONG + [429]
    last = desk.answer(asked("/", query={"code": CODE}))
    assert (last.status, int(last.headers["Retry-After"]) > 0) == (429, True)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example", "host": "192.168.4.1:8480"}, 403),
        ({"origin": "null", "host": "192.168.4.1:8480"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"origin": "http://192.168.4.1:8480", "host": "192.168.4.1:8480"}, 303),
        ({}, 303),
    ],
)
def test_a_form_of_another_site_is_not_taken(headers: dict[str, str], status: int) -> None:
    assert reception().answer(asked("/code", "POST", headers=headers, form={"code": CODE})).status == status


def test_values_checks_and_backlog_are_on_one_page_with_units_and_ages() -> None:
    desk = reception()
    read = text(desk.answer(asked(headers=pass_of(desk))))
    for part in ("3.05 kPa", "measured 2 s ago", "1795 r/min", "−85 dBm (60 s)", "212", "2 h 5 min"):
        assert part in read
    assert (
        read.index("Zero with the engine off") < read.index("Power goes off") < read.index("Supply voltage")
    )
    assert "0.30 kPa with the engine at rest" in read


def test_german_has_its_words_and_its_comma() -> None:
    desk = reception()
    page = desk.answer(asked(headers={**pass_of(desk), "accept-language": "de-DE"}))
    assert 'lang="de"' in page.body
    assert "3,05 kPa" in text(page)
    assert "vor 2 s gemessen" in text(page)


def test_a_value_that_is_old_is_marked_as_such() -> None:
    facts = replace(FACTS, values=[LastValue("restriction", 3.05, "kPa", 240.0)])
    desk = reception(facts)
    page = desk.answer(asked(headers=pass_of(desk)))
    assert 'class="live old"' in page.body
    assert "measured 4 min ago" in text(page)


def test_a_page_without_readings_link_or_spool_is_a_page() -> None:
    bare = MachineFacts(
        device=DEVICE, values=[], checks=[], signal=[], backlog=None, oldest_s=None, link=None
    )
    desk = reception(bare)
    for path in ("/", "/live", "/live.json"):
        assert desk.answer(asked(path, headers=pass_of(desk))).status == 200


def test_hostile_names_and_units_stay_texts() -> None:
    odd = "<script>alert(1)</script>\"'$nonce{x}"
    facts = replace(FACTS, device=odd, values=[LastValue("restriction", 1.0, odd, 2.0)], checks=[])
    desk = reception(facts)
    for page in (desk.answer(asked()), desk.answer(asked(headers=pass_of(desk)))):
        assert "<script>alert" not in page.body
        assert "&lt;script&gt;alert" in page.body


def test_the_policy_names_the_nonce_of_its_own_page_and_nothing_beyond() -> None:
    desk = reception()
    one, two = (desk.answer(asked(headers=pass_of(desk))) for _ in range(2))
    policies = [page.headers["Content-Security-Policy"] for page in (one, two)]
    nonces = [re.findall(r"'nonce-(\w+)'", policy) for policy in policies]
    assert nonces[0] != nonces[1]
    assert f'<script nonce="{nonces[0][0]}">' in one.body
    assert all("default-src 'none'" in policy and "frame-ancestors 'none'" in policy for policy in policies)
    assert "unsafe" not in policies[0]
    assert re.findall(r"(?:src|href)=\"(?!data:|/)", one.body) == []


def test_the_page_has_a_json_twin() -> None:
    desk = reception()
    found = json.loads(desk.answer(asked("/live.json", headers=pass_of(desk))).body)
    assert found["values"]["restriction"] == {"value": 3.05, "unit": "kPa", "age_s": 2.0}
    assert [check["verdict"] for check in found["checks"]].count("failed") == 1
    assert (found["backlog"], found["link"]["waits_for"]) == (212, "readings")
