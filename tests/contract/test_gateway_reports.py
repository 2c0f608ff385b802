"""Boots and events of a gateway: what stays whole, what becomes a count, and what is counted once."""

from __future__ import annotations

from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import gateway_reports
from cleanside.ingest.store.gateway_reports import FOLD_AT, MOST_AT_ONCE, MOST_KINDS, OTHERS, WHOLE
from cleanside.ingest.store.models import audit, boot_corrections, report_days, report_tallies, reports
from tests.support.serving import DEVICE, STREAM, Api, batch

SECOND = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d22"
Shown = dict[tuple[str, str | None], tuple[int, int]]


@pytest.fixture
def shop(api: Api) -> Api:
    """A device that is registered."""
    api.register()
    return api


def post(api: Api, first: int, events: list[dict[str, Any]], **more: Any) -> None:
    boots = more.pop("boots", [])
    api.send(batch(first, [3.0], gateway={"events": events, "boots": boots}, **more))


def shown(api: Api, *, stream: str = STREAM) -> Shown:
    """(kind, event) -> (times, whole), as the device's answer has it."""
    found = api.get(f"/v1/devices/{DEVICE}").json()["streams"]
    [of_stream] = [s["reported"] for s in found if s["stream"] == stream]
    return {(r["kind"], r["event"]): (r["times"], r["whole"]) for r in of_stream}


def rows(api: Api, table: sa.Table) -> int:
    with api.resources.reading() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def sizes(api: Api) -> tuple[int, int, int]:
    return rows(api, reports), rows(api, report_days), rows(api, report_tallies)


def test_sixty_posts_of_a_thousand_events_make_few_rows_and_all_are_counted(shop: Api) -> None:
    for n in range(1, 61):
        post(shop, n, [{"at_seq": n, "event": "noise", "n": k} for k in range(1_000)])
    times, whole = shown(shop)["event", "noise"]
    assert times == 60_000
    assert WHOLE <= whole <= FOLD_AT
    assert sizes(shop) == (whole, 1, 1)


@pytest.mark.parametrize("numbers", ["in the batch", "beyond it", "none"])
def test_a_post_that_is_sent_again_is_counted_once(shop: Api, numbers: str) -> None:
    """The reply was lost; its events are a count by now, or stand at no number that came."""

    def events(n: int) -> list[dict[str, Any]]:
        at = {"in the batch": [n] * 300, "beyond it": range(n, n + 300), "none": [None] * 300}[numbers]
        return [{"at_seq": seq, "event": "noise", "n": 1_000 * n + k} for k, seq in enumerate(at)]

    for n in (1, 1, 2, 2, 1, 2):
        post(shop, n, events(n))
    assert shown(shop)["event", "noise"][0] == 600


def test_an_event_twice_in_one_post_is_one(shop: Api) -> None:
    post(shop, 1, [{"at_seq": 1, "event": "key_on"}] * 3)
    assert shown(shop) == {("event", "key_on"): (1, 1)}


def test_a_late_event_of_a_gap_is_counted_though_newer_ones_are_a_count_already(shop: Api) -> None:
    post(shop, 1, [])
    for n in range(10, 10 + 2 * FOLD_AT):
        post(shop, n, [{"at_seq": n, "event": "key_on"}])
    times = shown(shop)["event", "key_on"][0]
    post(shop, 5, [{"at_seq": 5, "event": "key_on"}])
    post(shop, 5, [{"at_seq": 5, "event": "key_on"}])
    assert shown(shop)["event", "key_on"][0] == times + 1


def test_losses_and_boots_stay_whole_whatever_comes_after(shop: Api) -> None:
    losses = [
        *("readings_lost", "readings_damaged", "readings_bridged", "readings_refused", "readings_shed"),
        "readings_in_part",
        *("spool_replaced", "spool_salvaged"),
    ]
    said = [{"at_seq": 1, "event": name, "count": k} for name in losses for k in range(FOLD_AT + 1)]
    boots = [{"boot": f"b{k}", "first_seq": 1, "anchor": "gps"} for k in range(FOLD_AT + 1)]
    for start in range(0, len(said), 500):
        post(shop, 1 + start, said[start : start + 500])
    post(shop, 5_000, [], boots=boots)
    post(shop, 5_001, [{"at_seq": 5_001, "event": "noise", "n": k} for k in range(900)])
    found = shown(shop)
    whole = FOLD_AT + 1, FOLD_AT + 1
    expected: Shown = {("boot", None): whole}
    for name in losses:
        expected["event", name] = whole
    del found["event", "noise"]
    assert found == expected


def test_losses_beyond_the_bound_of_a_device_are_counted_and_the_newest_is_whole(
    shop: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cleanside.ingest.store.reports.MOST", {"boot": 5, "event": 5})
    for n in range(1, 21):
        post(shop, n, [{"at_seq": n, "event": "readings_lost", "count": n}])
    assert shown(shop) == {("event", "readings_lost"): (20, 5)}
    with shop.resources.reading() as connection:
        numbers = connection.scalars(sa.select(reports.c.at_seq).order_by(reports.c.at_seq)).all()
        [day] = connection.execute(sa.select(report_days)).all()
    assert numbers == [1, 2, 3, 4, 20]
    assert (day.times, day.first_seq, day.last_seq) == (15, 5, 19)
    # Of a further stream of the same device, only the newest.
    for n in range(1, 4):
        post(shop, n, [{"at_seq": n, "event": "readings_lost", "count": n}], stream=SECOND)
    assert shown(shop, stream=SECOND) == {("event", "readings_lost"): (3, 1)}
    for n in range(30, 40):
        post(shop, n, [], boots=[{"boot": f"b{n}", "first_seq": n}])
    assert shown(shop)["boot", None] == (10, 5)


def test_corrections_of_boots_leave_a_bounded_number_of_rows(
    shop: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each leaves a row of its own and one in the audit log."""
    monkeypatch.setattr("cleanside.ingest.store.reports.MOST", {"boot": 5, "event": 5})
    noted = rows(shop, audit)
    post(shop, 1, [], boots=[{"boot": "b", "first_seq": 1}])
    for n in range(2, 30):
        said = {
            "at_seq": n,
            "event": "boot_corrected",
            "boot": "b",
            "shift_s": -float(n),
            "uncertainty_s": 1.0,
        }
        for _ in range(2):
            post(shop, n, [said])
    assert rows(shop, boot_corrections) == rows(shop, audit) - noted == 5
    assert shown(shop)["event", "boot_corrected"] == (28, 5)


def test_kinds_beyond_the_bound_are_counted_together_and_known_ones_are_not_among_them(shop: Api) -> None:
    post(shop, 1, [{"at_seq": 1, "event": f"made-up-{k}"} for k in range(500)])
    post(shop, 2, [{"at_seq": 2, "event": "key_off"}])
    found = shown(shop)
    assert found["event", OTHERS] == (500 - MOST_KINDS, 0)
    assert found["event", "key_off"] == (1, 1)
    assert len(found) == MOST_KINDS + 2


def test_more_in_one_post_than_is_looked_at_is_counted(shop: Api) -> None:
    many = [{"at_seq": 1, "event": "noise", "n": k} for k in range(MOST_AT_ONCE + 7)]
    for _ in range(2):
        post(shop, 1, many)
    assert shown(shop) == {("event", "noise"): (MOST_AT_ONCE, WHOLE), ("event", OTHERS): (7, 0)}


def test_days_are_told_apart_by_receipt_with_first_and_last_instant(shop: Api) -> None:
    for n in range(1, 4):
        post(shop, n, [{"at_seq": n, "event": "noise", "n": k} for k in range(WHOLE + 10)])
        shop.clock.advance(86_400)
    with shop.resources.reading() as connection:
        days = connection.execute(sa.select(report_days).order_by(report_days.c.day)).all()
    assert len({day.day for day in days}) == len(days) == 3
    assert sum(day.times for day in days) + WHOLE == 3 * (WHOLE + 10)
    assert all(day.first_us // 86_400_000_000 == day.last_us // 86_400_000_000 == day.day for day in days)


def test_a_field_is_cut_to_a_size_and_the_event_is_still_itself(shop: Api) -> None:
    long: dict[str, Any] = {
        "at_seq": 1,
        "event": "spool_replaced",
        "kept_as": "x" * 50_000,
        "more": list(range(5_000)),
    }
    long |= {f"member-{k}": k for k in range(5_000)}
    for last in ("y", "z"):
        for _ in range(2):
            post(shop, 1, [long | {"kept_as": long["kept_as"] + last}])
    assert shown(shop) == {("event", "spool_replaced"): (2, 2)}
    with shop.resources.reading() as connection:
        contents = connection.scalars(sa.select(reports.c.content)).all()
    most = gateway_reports.MOST_MEMBERS * 2 * (gateway_reports.MOST_CHARACTERS + 20)
    assert all(len(content) < most for content in contents)
    assert all('"members_left_out": ' in content for content in contents)


def test_a_machine_is_keyed_off_by_its_newest_event_however_many_came_before(shop: Api) -> None:
    """Invariant 9, after thousands of key cycles and events of all kinds."""
    for n in range(1, 400):
        events = [{"at_seq": n, "event": "key_on"}, {"at_seq": n, "event": "key_off"}]
        post(shop, n, [*events, *({"at_seq": n, "event": f"made-up-{k}"} for k in range(20))])
    post(shop, 400, [{"at_seq": 400, "event": "key_off"}])
    shop.analyse()
    shop.clock.advance(6 * 3_600)
    seen = shop.get("/v1/machines/grader-07/restriction").json()
    assert seen["quiet_because"] == "keyed_off"
    assert shown(shop)["event", "key_off"][0] == 400


def test_acceptance_counts_key_cycles_that_are_a_count_by_now(shop: Api) -> None:
    from cleanside.ingest.store import acceptance, fleet

    post(shop, 1, [{"at_seq": 1, "event": "key_off", "n": n} for n in range(300)])
    with shop.resources.reading() as connection:
        owner = fleet.owner_id(connection, "plateau")
        assert owner is not None
        device = fleet.device(connection, owner, DEVICE)
        assert device is not None
        assert acceptance.key_offs_since(connection, [device.id], 0) == 300
        assert acceptance.key_offs_since(connection, [device.id], shop.clock() + 1) == 0


def test_reports_move_with_a_machine_that_changes_hands(shop: Api) -> None:
    """Also where the device sat elsewhere before, and its numbers are parted."""
    assert shop.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
    post(shop, 1, [])
    for n in range(2, 5):
        post(shop, n, [{"at_seq": n, "event": "noise", "n": k} for k in range(100)])
    post(
        shop, 5, [{"at_seq": 5, "event": "readings_lost", "count": 1}], boots=[{"boot": "b", "first_seq": 5}]
    )
    before = shown(shop)
    start = {"machine": "loader-02", "assigned_until": "2026-03-02T06:00:15Z", "with_history": True}
    assert shop.post(f"/v1/devices/{DEVICE}/assignments", start).status_code == 200
    code = shop.post("/v1/transfers", {"machine": "grader-07"}).json()["code"]
    assert shop.post("/v1/transfers/accept", {"code": code}, key="quarry admin").status_code == 200
    found = shop.get(f"/v1/devices/{DEVICE}", key="quarry admin").json()["streams"]
    [there] = [s["reported"] for s in found if s["stream"] == STREAM]
    assert {(r["kind"], r["event"]): (r["times"], r["whole"]) for r in there} == before
    stayed = shown(shop)
    assert set(stayed) <= {("boot", None)}


def test_losses_beyond_all_bounds_leave_what_is_told_of_an_account_readable(shop: Api) -> None:
    """Each is a whole number that JSON carries, and absurd: it counts for no figure."""
    for post in (1, 2):
        lost = [
            {"at_seq": post, "event": "readings_lost", "count": 2**53, "id": f"{post}-{number}"}
            for number in range(MOST_AT_ONCE)
        ]
        shop.send(batch(post, [3.0]) | {"gateway": {"version": "1.0", "events": lost}})
    (declared,) = shop.account()["streams"][0]["declared"]
    assert (declared["times"], declared["readings"]) == (2 * MOST_AT_ONCE, 0)
    assert shop.get("/v1/attention").status_code == 200
