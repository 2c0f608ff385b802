"""
A calendar by secret address, read by a parser that did not write it (vobject), through a month of work.

RFC 5545: all-day events (section 3.6.1), UID, SEQUENCE, TRANSP; RFC 7986: REFRESH-INTERVAL.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import vobject

from tests.contract.test_api_fleet import register_worked, set_hours_in, tube_off_at_last, working_hours
from tests.contract.test_api_shop import MACHINE, ask
from tests.support.people import Browser, quick_passwords, said, signed_in
from tests.support.serving import Api, in_process

NAME = "Grader <7>; a, b\\n\N{HEBREW LETTER SHIN} 🚜 " + "W" * 64
DAY_S = 86_400


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


@pytest.fixture
def mara(api: Api) -> Browser:
    return signed_in(api, "mara.lindt", "planner")


def made(browser: Browser, **wanted: Any) -> dict[str, Any]:
    answer = browser.post("/v1/me/calendars", {"zone": "Europe/Vienna"} | wanted)
    assert answer.status_code == 201, answer.text
    document: dict[str, Any] = answer.json()
    return document


def path_of(link: str) -> str:
    return link.removeprefix("http://ingest.test")


def events(api: Api, link: str) -> list[Any]:
    """As another program reads them, without signing in."""
    answer = api.get(path_of(link), key=None)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert max(len(line) for line in answer.content.split(b"\r\n")) <= 75, "folded (section 3.1)"
    calendar = vobject.readOne(answer.content.decode())
    return list(getattr(calendar, "vevent_list", []))


def worked(api: Api, rise_kpa: float = 0.03) -> None:
    register_worked(api, 60, rise_kpa=rise_kpa)
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    ask(api, "PATCH", f"{MACHINE}/papers", {"site": "oberkies"})


def test_a_likely_change_is_an_all_day_event_with_its_dates_in_the_text(api: Api, mara: Browser) -> None:
    worked(api)
    assert api.request("PATCH", "/v1/machines/grader-07", json={"display_name": NAME}).status_code == 200
    [event] = events(api, made(mara)["link"])
    assert isinstance(event.dtstart.value, date)
    assert (event.dtend.value - event.dtstart.value).days == 1
    assert event.summary.value == f"{NAME}: element likely due"
    assert "early " in event.description.value
    assert "late " in event.description.value
    assert "Advice only." in event.description.value
    assert (event.transp.value, event.status.value, event.sequence.value) == ("TRANSPARENT", "TENTATIVE", "0")
    assert event.url.value == "http://ingest.test/machines/grader-07"
    link = path_of(made(mara)["link"])
    elsewhere = api.get(link, key=None, headers={"Host": "evil.example"})  # whose that is no setting says
    assert (elsewhere.status_code, "URL:" in elsewhere.text) == (200, False)


def test_what_is_checked_first_stands_on_today_in_the_words_of_its_page(api: Api, mara: Browser) -> None:
    """
    No due date comes of doubted readings, and a planned day says what is checked before.

    STATUS of an event that is not in doubt: RFC 5545 section 3.8.1.11.
    """
    api.register()
    set_hours_in(api, 30.1)
    api.send(working_hours(30))
    api.analyse()
    link = made(mara)["link"]
    [likely] = events(api, link)
    tube_off_at_last(api)
    [check] = events(api, link)
    assert check.summary.value == "grader-07: Stop and inspect: dust reaches the engine."
    assert (check.status.value, check.transp.value) == ("CONFIRMED", "TRANSPARENT")
    assert check.uid.value != likely.uid.value
    for words in ("check first", "element missing or torn, or tube off", "Advice only."):
        assert words in check.description.value
    assert "early" not in check.description.value
    first = check.dtstart.value
    api.clock.advance(DAY_S)
    [check] = events(api, link)
    assert ((check.dtstart.value - first).days, check.sequence.value) == (1, "1")
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-03-20", "confirmed_because": "booked"})
    by_uid = {event.uid.value: event for event in events(api, link)}
    planned = by_uid[likely.uid.value]
    assert (len(by_uid), planned.dtstart.value) == (2, date(2026, 3, 20))
    assert "Stop and inspect" in planned.description.value


def test_an_element_over_its_limit_has_no_dates_from_the_instant_of_the_download(
    api: Api, mara: Browser
) -> None:
    """One rule for pages, files and calendar: they say that the limit is reached."""
    worked(api, rise_kpa=0.12)
    [event] = events(api, made(mara)["link"])
    assert event.summary.value == "grader-07: change the element"
    assert "The limit is reached." in event.description.value
    assert "early" not in event.description.value
    rows = csv.DictReader(io.StringIO(mara.get("/fleet.csv").content.decode("utf-8-sig")))
    [row] = [dict(row) for row in rows]
    dates = [cell for head, cell in row.items() if head.startswith("at the limit at full flow, ")]
    assert dates == ["reached"] * 3


def test_an_event_is_followed_through_a_month(api: Api, mara: Browser) -> None:
    """Looked at each hour of the day it is one event; what moves has a sequence one higher."""
    worked(api)
    link = made(mara)["link"]
    seen: list[tuple[str, date, int]] = []
    for _ in range(31):
        for _ in range(2):
            found = events(api, link)
            seen += [(one.uid.value, one.dtstart.value, int(one.sequence.value)) for one in found]
            api.clock.advance(DAY_S / 2)
    assert len({uid for uid, *_ in seen}) == 1
    by_sequence: dict[int, set[date]] = {}
    for _, day, sequence in seen:
        by_sequence.setdefault(sequence, set()).add(day)
    assert all(len(days) == 1 for days in by_sequence.values()), "a day never changes without its sequence"
    assert [sequence for *_, sequence in seen] == sorted(sequence for *_, sequence in seen)
    assert sorted(by_sequence) == list(range(len(by_sequence)))


def test_a_planned_change_moves_the_event_and_a_service_stands_beside(api: Api, mara: Browser) -> None:
    worked(api)
    link = made(mara)["link"]
    [likely] = events(api, link)
    ask(
        api,
        "POST",
        f"{MACHINE}/planned-change",
        {"on": "2026-03-20", "note": "at the noon stop", "confirmed_because": "booked"},
    )
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": {"service": "500 h service", "on": "2026-03-25"}})
    planned, service = events(api, link)
    assert planned.uid.value == likely.uid.value
    assert (planned.dtstart.value, planned.sequence.value) == (date(2026, 3, 20), "1")
    assert planned.status.value == "CONFIRMED"
    assert "at the noon stop" in planned.description.value
    assert (service.summary.value, service.dtstart.value) == ("grader-07: 500 h service", date(2026, 3, 25))
    assert service.uid.value != planned.uid.value


def test_a_calendar_is_of_a_site_and_in_a_language(api: Api, mara: Browser) -> None:
    worked(api)
    assert events(api, made(mara, site="talgrund")["link"]) == []
    [event] = events(api, made(mara, site="oberkies", language="de")["link"])
    assert event.summary.value == "grader-07: Einsatz wahrscheinlich fällig"


def test_an_address_answers_until_it_is_ended_or_its_person_may_not_sign_in(api: Api, mara: Browser) -> None:
    first, second = made(mara), made(mara)
    assert mara.request("DELETE", f"/v1/me/calendars/{first['calendar']}").status_code == 200
    assert api.get(path_of(first["link"]), key=None).status_code == 404
    assert api.get(path_of(second["link"]), key=None).status_code == 200
    assert api.request("DELETE", "/v1/people/mara.lindt").status_code == 200
    assert api.get(path_of(second["link"]), key=None).status_code == 404


def test_an_address_is_shown_once_and_not_kept(api: Api, mara: Browser) -> None:
    token = made(mara)["link"].rpartition("/")[2].removesuffix(".ics")
    assert token not in mara.get("/v1/me/calendars").text + mara.get("/messages").text
    files = [Path(f"{api.url.removeprefix('sqlite:///')}{end}") for end in ("", "-wal")]
    assert not any(token.encode() in file.read_bytes() for file in files)


def test_who_guesses_addresses_has_to_wait(api: Api) -> None:
    stranger = api.from_address("192.0.2.7")
    statuses = {stranger.get(f"/calendars/{n:064x}.ics", key=None).status_code for n in range(80)}
    assert statuses == {404, 429}


def test_a_person_has_a_bounded_number_of_calendars_of_their_own_sites(api: Api, mara: Browser) -> None:
    tom = signed_in(api, "tom.velt", "technician", sites=["oberkies"])
    assert said(tom.post("/v1/me/calendars", {"site": "talgrund"})) == (403, "site_not_yours")
    assert tom.request("DELETE", f"/v1/me/calendars/{made(mara)['calendar']}").status_code == 404
    for _ in range(10):
        made(tom)
    assert said(tom.post("/v1/me/calendars", {})) == (409, "too_many_calendars")


def test_the_page_makes_an_address_shows_it_once_and_ends_it(mara: Browser) -> None:
    page = mara.request("POST", "/messages/calendars", data={"zone": "Europe/Vienna", "site": ""})
    assert page.status_code == 200
    assert ".ics" in page.text
    again = mara.get("/messages").text
    assert ".ics" not in again
    assert "/messages/calendars/1/end" in again
    assert mara.request("POST", "/messages/calendars/1/end").status_code == 303
    assert mara.get("/v1/me/calendars").json()["calendars"] == []
