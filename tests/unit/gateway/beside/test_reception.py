"""Who may see what: the machine's name without the code, everything with it; hostile texts stay texts."""

from __future__ import annotations

import html
import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.beside.http_listener import PageAnswer, PageRequest
from cleanside.gateway.beside.label_code import MOST_WRONG, Doorkeeper
from cleanside.gateway.beside.machine_facts import MachineFacts
from cleanside.gateway.beside.page_words import WORDS
from cleanside.gateway.beside.reception import Reception
from cleanside.gateway.beside.watch import LastValue
from cleanside.gateway.errors import SpoolFull
from cleanside.gateway.spool.queue import Spool
from tests.unit.gateway.helpers import open_spool

CODE = "7K3M-9QAZ"
HERE = ("192.168.4.1", 8480)
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
        spot_checks.supply([27.4, 27.3, 27.5], while_running=True),
        spot_checks.key_off(stayed_s=0.0, power_cycles=0),
        spot_checks.clock(uncertainty_s=0.4, anchor="gps"),
        spot_checks.zero([300.0] * 3),
        spot_checks.answer([], []),
    ],
    signal=[(300.0, -97.0), (10.0, -85.0)],
    backlog=212,
    oldest_s=7_500.0,
    entries_waiting=0,
    link=LINK,
)


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    with open_spool(tmp_path / "a") as opened:
        yield opened


Made = Callable[..., Reception]


@pytest.fixture
def reception(spool: Spool) -> Made:
    def made(facts: MachineFacts = FACTS, **more: Any) -> Reception:
        return Reception(
            facts.device,
            doorkeeper=Doorkeeper(lambda: CODE, now_us=lambda: 0, random=os.urandom),
            facts=lambda: facts,
            spool=spool,
            new_id=lambda: os.urandom(16).hex(),
            random=os.urandom,
            **more,
        )

    return made


def asked(path: str = "/", method: str = "GET", **more: Any) -> PageRequest:
    return PageRequest(method=method, path=path, address="192.168.4.7", **{"here": HERE, **more})


def pass_of(desk: Reception) -> dict[str, str]:
    """The headers of who showed the code."""
    opened = desk.answer(asked("/code", "POST", form={"code": CODE}))
    return {"cookie": opened.headers["Set-Cookie"].partition(";")[0]}


def opened_form(desk: Reception, **query: str) -> PageAnswer:
    """The form, under the address that gives it its id."""
    headers = pass_of(desk)
    moved = desk.answer(asked("/entry", headers=headers, query=query))
    if moved.status == 200:
        return moved
    return desk.answer(
        asked(
            "/entry",
            headers=headers,
            query=dict(parse_qsl(urlsplit(moved.headers["Location"]).query, keep_blank_values=True)),
        )
    )


def text(page: PageAnswer) -> str:
    """What a person reads."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.body.partition("<main>")[2]))


def test_without_the_code_the_page_says_which_machine_it_is_and_no_more(reception: Made) -> None:
    page = reception().answer(asked())
    assert (page.status, DEVICE in page.body) == (200, True)
    assert "3.05" not in page.body
    assert "212" not in text(page)


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [("GET", "/live", 403), ("GET", "/live.json", 403), ("POST", "/entry", 403), ("GET", "/entry", 303)],
)
def test_nothing_else_opens_without_a_pass(reception: Made, method: str, path: str, status: int) -> None:
    desk = reception()
    for headers in (
        {},
        {"cookie": "beside="},
        {"cookie": f"beside={'0' * 32}"},
        {"cookie": f"beside={CODE}"},
    ):
        page = desk.answer(asked(path, method, headers=headers))
        assert (page.status, "3.05" in page.body) == (status, False)


def test_the_labels_qr_code_fills_the_code_in_and_a_person_sends_it(reception: Made) -> None:
    page = reception().answer(asked("/", query={"code": "7k3m9qaz"}))
    assert (page.status, "Set-Cookie" in page.headers) == (200, False)
    assert 'value="7k3m9qaz"' in page.body
    odd = reception().answer(asked("/", query={"code": '"><b>'}))
    assert "<b>" not in odd.body.partition("<main>")[2]


def test_a_pass_is_for_this_page_alone_and_leaves_no_code_in_the_address(reception: Made) -> None:
    desk = reception()
    opened = desk.answer(asked("/code", "POST", form={"code": CODE}))
    assert (opened.status, opened.headers["Location"]) == (303, "/")
    cookie = opened.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie  # plain HTTP on the machine's own network
    again = desk.answer(asked("/", query={"code": CODE}, headers=pass_of(desk)))
    assert (again.status, again.headers["Location"]) == (303, "/")


def test_a_picture_on_another_site_takes_no_try(reception: Made) -> None:
    """RFC 9110 section 9.2.1: a GET is safe; any site can cause one."""
    desk = reception()
    for _ in range(MOST_WRONG + 1):
        desk.answer(asked("/", query={"code": "nope"}))
    assert desk.answer(asked("/code", "POST", form={"code": CODE})).status == 303


@pytest.mark.parametrize(
    ("host", "here", "is_ours"),
    [
        ("192.168.4.1:8480", HERE, True),
        ("grader-07.plateau.example", HERE, True),  # beside.address
        ("rebound.example:8480", HERE, False),
        ("192.168.4.1", HERE, False),
        ("192.168.4.1", ("192.168.4.1", 80), True),
        ("localhost:8480", ("127.0.0.1", 8480), True),
        ("localhost:8480", HERE, False),
        ("[::1]:8480", ("::1", 8480), True),
    ],
)
def test_a_name_that_is_not_ours_opens_nothing(
    reception: Made, host: str, here: tuple[str, int], is_ours: bool
) -> None:
    """RFC 9110 section 15.5.20: 421. A site whose name is led here later could else read the page."""
    desk = reception(address="http://Grader-07.plateau.example")
    headers = {**pass_of(desk), "host": host}
    for path in ("/", "/live", "/live.json", "/entry"):
        page = desk.answer(asked(path, headers=headers, here=here, query={"entry_id": "phone-1"}))
        assert page.status == (200 if is_ours else 421)


def test_the_typed_code_opens_the_page(reception: Made) -> None:
    desk = reception()
    opened = desk.answer(asked("/code", "POST", form={"code": CODE}))
    page = desk.answer(asked(headers={"cookie": opened.headers["Set-Cookie"].partition(";")[0]}))
    assert (opened.status, page.status, "3.05" in page.body) == (303, 200, True)


def test_wrong_codes_are_refused_then_not_even_compared(reception: Made) -> None:
    desk = reception()
    statuses = [
        desk.answer(asked("/code", "POST", form={"code": "nope"})).status for _ in range(MOST_WRONG + 1)
    ]
    assert statuses == [403] * MOST_WRONG + [429]
    last = desk.answer(asked("/code", "POST", form={"code": CODE}))
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
def test_a_form_of_another_site_is_not_taken(reception: Made, headers: dict[str, str], status: int) -> None:
    assert reception().answer(asked("/code", "POST", headers=headers, form={"code": CODE})).status == status


def test_values_checks_and_backlog_are_on_one_page_with_units_and_ages(reception: Made) -> None:
    desk = reception()
    read = text(desk.answer(asked(headers=pass_of(desk))))
    for part in ("3.05 kPa", "measured 2 s ago", "1795 r/min", "−85 dBm (60 s)", "212", "2 h 5 min"):
        assert part in read
    assert (
        read.index("Zero with the engine off") < read.index("Power goes off") < read.index("Supply voltage")
    )
    assert "0.30 kPa with the engine at rest" in read
    assert "within 0.40 s, by GPS" in read


def test_german_has_its_words_and_its_comma(reception: Made) -> None:
    desk = reception()
    page = desk.answer(asked(headers={**pass_of(desk), "accept-language": "de-DE"}))
    assert 'lang="de"' in page.body
    assert "3,05 kPa" in text(page)
    assert "vor 2 s gemessen" in text(page)


def test_a_value_that_is_old_is_marked_as_such(reception: Made) -> None:
    facts = replace(FACTS, values=[LastValue("restriction", 3.05, "kPa", 240.0)])
    desk = reception(facts)
    page = desk.answer(asked(headers=pass_of(desk)))
    assert 'class="live old"' in page.body
    assert "measured 4 min ago" in text(page)


def test_a_page_without_readings_link_or_spool_is_a_page(reception: Made) -> None:
    bare = MachineFacts(
        device=DEVICE,
        values=[],
        checks=[],
        signal=[],
        backlog=None,
        oldest_s=None,
        entries_waiting=None,
        link=None,
    )
    desk = reception(bare)
    for path in ("/", "/live", "/live.json"):
        assert desk.answer(asked(path, headers=pass_of(desk))).status == 200


@pytest.mark.parametrize(("failing_s", "is_said"), [(None, False), (101.0, True)])
def test_a_check_of_the_link_that_passed_says_that_it_fails_now(
    reception: Made, failing_s: float | None, is_said: bool
) -> None:
    """Beside "fails for 101 s" stood "passed", without a word on how both can be."""
    link = {**LINK, "failing_s": failing_s}
    desk = reception(replace(FACTS, checks=[spot_checks.link(acknowledged=40, missing=0)], link=link))
    for language, words in WORDS.items():
        headers = {**pass_of(desk), "accept-language": language}
        shown = text(desk.answer(asked(headers=headers)))
        assert (words["link_fails_now"].format(age="101 s") in shown) == is_said


@pytest.mark.parametrize(("anchor", "said"), [("server", WORDS["de"]["anchor_server"]), ("dcf77", "dcf77")])
def test_what_the_time_goes_by_is_said_in_the_readers_words(reception: Made, anchor: str, said: str) -> None:
    desk = reception(replace(FACTS, checks=[spot_checks.clock(uncertainty_s=0.4, anchor=anchor)]))
    page = desk.answer(asked(headers={**pass_of(desk), "accept-language": "de"}))
    assert f"durch {said}." in text(page)


def test_restriction_is_shown_in_the_unit_of_the_gauge_too(reception: Made) -> None:
    """3.05 kPa = 12.2 inH2O and 0.30 kPa = 1.2 inH2O, by 249.089 Pa an inch of water (NIST SP 811, B.8)."""
    for gauge_unit, is_said in (("inH2O", True), ("kPa", False), (None, False)):
        desk = reception(replace(FACTS, gauge_unit=gauge_unit))
        shown = text(desk.answer(asked(headers=pass_of(desk))))
        assert ("12.2 inH2O" in shown, "0.30 kPa (1.2 inH2O)" in shown) == (is_said, is_said)


def test_hostile_names_and_units_stay_texts(reception: Made) -> None:
    odd = "<script>alert(1)</script>\"'$nonce{x}"
    values = [LastValue("restriction", 1.0, odd, 2.0)]
    facts = replace(FACTS, device=odd, values=values, checks=[], gauge_unit="inH2O")
    desk = reception(facts)
    for page in (desk.answer(asked()), desk.answer(asked(headers=pass_of(desk)))):
        assert "<script>alert" not in page.body
        assert "&lt;script&gt;alert" in page.body


def test_the_policy_names_the_nonce_of_its_own_page_and_nothing_beyond(reception: Made) -> None:
    desk = reception()
    one, two = (desk.answer(asked(headers=pass_of(desk))) for _ in range(2))
    policies = [page.headers["Content-Security-Policy"] for page in (one, two)]
    nonces = [re.findall(r"'nonce-(\w+)'", policy) for policy in policies]
    assert nonces[0] != nonces[1]
    assert f'<script nonce="{nonces[0][0]}">' in one.body
    assert all("default-src 'none'" in policy and "frame-ancestors 'none'" in policy for policy in policies)
    assert "unsafe" not in policies[0]
    assert re.findall(r"(?:src|href)=\"(?!data:|/)", one.body) == []


def test_the_page_has_a_json_twin(reception: Made) -> None:
    desk = reception()
    found = json.loads(desk.answer(asked("/live.json", headers=pass_of(desk))).body)
    assert found["values"]["restriction"] == {"value": 3.05, "unit": "kPa", "age_s": 2.0}
    assert [check["verdict"] for check in found["checks"]].count("failed") == 1
    assert (found["backlog"], found["link"]["waits_for"]) == (212, "readings")


# ---------------------------------------------------------------- entries

ENTRY = {"what": "new", "by": "T. Wolny", "note": "seal was dry", "ago_min": "5", "entry_id": "phone-1"}


def enter(desk: Reception, **fields: str) -> PageAnswer:
    return desk.answer(asked("/entry", "POST", headers=pass_of(desk), form={**ENTRY, **fields}))


def kept(spool: Spool) -> list[tuple[str, Any]]:
    return [(entry.entry_id, entry.content) for entry in spool.entries(most=99)]


def test_an_entry_is_kept_and_the_page_says_that_it_waits(reception: Made, spool: Spool) -> None:
    desk = reception()
    answer = enter(desk)
    assert (answer.status, answer.headers["Location"]) == (303, "/entry?kept")
    assert kept(spool) == [("phone-1", {"what": "new", "by": "T. Wolny", "note": "seal was dry"})]
    read = text(opened_form(desk, kept=""))
    assert "on this gateway, not yet at the shop" in read
    assert "seal was dry" in read


def test_a_form_that_is_sent_twice_is_one_entry(reception: Made, spool: Spool) -> None:
    desk = reception()
    assert [enter(desk).status for _ in range(3)] == [303] * 3
    assert len(kept(spool)) == 1


def test_a_form_that_was_gone_back_to_and_sent_again_is_one_entry(reception: Made, spool: Spool) -> None:
    """The browser asks for its address again, and fills in what was typed."""
    desk = reception()
    headers = pass_of(desk)
    address = desk.answer(asked("/entry", headers=headers)).headers["Location"]
    for _ in range(2):
        page = desk.answer(asked("/entry", headers=headers, query=dict(parse_qsl(urlsplit(address).query))))
        [entry_id] = re.findall(r'name="entry_id" value="([^"]+)"', page.body)
        desk.answer(asked("/entry", "POST", headers=headers, form={**ENTRY, "entry_id": entry_id}))
    assert len(kept(spool)) == 1
    assert " selected" not in page.body  # nothing is chosen for anybody
    assert "5 min ago" in text(page)


def test_a_form_that_was_gone_back_to_and_changed_is_another_entry(reception: Made, spool: Spool) -> None:
    desk = reception()
    enter(desk)
    enter(desk, what="safety_element")
    assert [content["what"] for _, content in kept(spool)] == ["safety_element", "new"]


def test_an_entry_of_a_phone_keeps_the_phones_id(reception: Made) -> None:
    desk = reception()
    page = desk.answer(
        asked("/entry", headers=pass_of(desk), query={"entry_id": "phone-7", "what": "cleaned"})
    )
    assert 'value="phone-7"' in page.body
    assert '<option value="cleaned" selected>' in page.body
    odd = desk.answer(asked("/entry", headers=pass_of(desk), query={"entry_id": '"><b>'}))
    assert "<b>" not in odd.body.partition("<main>")[2]


def test_a_field_for_minutes_cuts_no_digit(reception: Made) -> None:
    """A browser drops what is beyond `maxlength` without a word: a week was kept as 16 h 48 min."""
    page = enter(reception(), ago_min="10080").body
    [field] = re.findall(r'<input id="ago_min"[^>]*>', page)
    assert "maxlength" not in field
    assert 'value="10080"' in field


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("what", "nothing"),
        ("what", ""),
        ("by", ""),
        ("by", "x" * 61),
        ("by", "a\u202eb"),
        ("by", "a\x00b"),
        ("note", "n" * 401),
        ("note", "two\nlines"),
        ("ago_min", "-1"),
        ("ago_min", "1441"),
        ("ago_min", "1e3"),
        ("ago_min", "٣"),
        ("ago_min", "10080"),
        ("ago_min", "9" * 4000),
    ],
)
def test_a_fault_is_said_beside_its_field_and_nothing_is_kept(
    reception: Made, spool: Spool, field: str, value: str
) -> None:
    page = enter(reception(), **{field: value})
    assert (page.status, kept(spool)) == (422, [])
    assert f'id="{field}-fault"' in page.body
    assert 'value="phone-1"' in page.body, "the same entry when it is sent again"
    assert "seal was dry" in page.body or field == "note"


@pytest.mark.parametrize(
    "odd",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=a>',
        "名前 🚜",
        "' OR 1=1 --",
        "x" * 60,
        "{0}%s$x&amp;",
    ],
)
def test_whatever_a_person_writes_is_kept_and_shown_as_it_is(reception: Made, spool: Spool, odd: str) -> None:
    desk = reception()
    assert enter(desk, by=odd, note=odd).status == 303
    assert kept(spool)[0][1] == {"what": "new", "by": odd, "note": odd}
    page = opened_form(desk)
    shown = page.body.partition('<ul class="made">')[2].partition("</ul>")[0]
    assert html.unescape(re.sub(r"<[^>]+>", "", shown)).count(odd) == 2


def test_a_disk_that_takes_no_entry_says_so_and_keeps_what_was_written(
    reception: Made, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> bool:
        raise SpoolFull("disk_full", path="a", why="no room")

    monkeypatch.setattr(spool, "enter", full)
    page = enter(reception())
    assert page.status == 503
    assert "seal was dry" in page.body


# ---------------------------------------------------------------- taken back


def take_back(desk: Reception, of: str = "phone-1", **fields: str) -> PageAnswer:
    form = {"of": of, "by": "T. Wolny", "note": "wrong machine", **fields}
    return desk.answer(asked("/entry/back", "POST", headers=pass_of(desk), form=form))


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_wrong_entry_is_taken_back_where_it_was_made(reception: Made, spool: Spool, language: str) -> None:
    desk, words = reception(), WORDS[language]
    enter(desk)
    headers = {**pass_of(desk), "accept-language": language}
    [address] = re.findall(r'href="(/entry/back[^"]+)"', opened_form(desk).body)
    form = desk.answer(asked("/entry/back", headers=headers, query=dict(parse_qsl(urlsplit(address).query))))
    assert "seal was dry" in text(form)
    assert html.escape(words["back_then"]) in form.body
    answer = take_back(desk)
    assert (answer.status, answer.headers["Location"]) == (303, "/entry?taken_back")
    [(_, record), (first, _)] = kept(spool)
    assert first == "phone-1"
    assert record == {"what": "takes_back", "of": "phone-1", "by": "T. Wolny", "note": "wrong machine"}
    listed = opened_form(desk, taken_back="").body
    assert "Taken back by <bdi>T. Wolny</bdi>" in listed
    assert listed.count("/entry/back") == 0, "once is enough"


def test_a_taking_back_that_is_sent_twice_is_one(reception: Made, spool: Spool) -> None:
    desk = reception()
    enter(desk)
    assert [take_back(desk, note=str(n)).status for n in range(3)] == [303] * 3
    assert len(kept(spool)) == 2


def test_a_taking_back_without_a_name_is_said_beside_its_field(reception: Made, spool: Spool) -> None:
    desk = reception()
    enter(desk)
    page = take_back(desk, by="")
    assert (page.status, len(kept(spool))) == (422, 1)
    assert 'id="by-fault"' in page.body
    assert "wrong machine" in page.body


@pytest.mark.parametrize("of", ["", "phone-9", '"><b>', "back"])
def test_what_is_no_entry_of_work_here_is_not_taken_back(reception: Made, spool: Spool, of: str) -> None:
    """Nor is a taking back."""
    desk = reception()
    enter(desk)
    spool.enter("back", {"what": "takes_back", "of": "phone-1", "by": "T. Wolny"})
    page = take_back(desk, of=of)
    assert (page.status, len(kept(spool))) == (404, 2)
    assert WORDS["en"]["back_gone"] in page.body
    assert "<b>" not in page.body.partition("<main>")[2]


def test_a_disk_that_takes_no_taking_back_says_so(
    reception: Made, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> bool:
        raise SpoolFull("disk_full", path="a", why="no room")

    desk = reception()
    enter(desk)
    monkeypatch.setattr(spool, "enter", full)
    page = take_back(desk)
    assert page.status == 503
    assert "wrong machine" in page.body


def test_nobody_takes_an_entry_back_without_the_code(reception: Made, spool: Spool) -> None:
    desk = reception()
    enter(desk)
    assert desk.answer(asked("/entry/back", "POST", form={"of": "phone-1", "by": "x"})).status == 403
    assert len(kept(spool)) == 1
