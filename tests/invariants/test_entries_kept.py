"""Invariant 10: what people enter without a link. A real server, links that break, pages that are closed."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.link import Link
from tests.support.phone import Phone
from tests.support.serving import ServerProcess, bearer

TECHNICIANS = 30
ENTRIES_EACH = 8
ROUNDS = 400


@pytest.fixture
def shop(server: ServerProcess) -> ServerProcess:
    """A server that knows 30 machines."""
    with server.client("admin") as client:
        for machine in map(machine_of, range(TECHNICIANS)):
            client.post("/v1/machines", json={"machine": machine}).raise_for_status()
    return server


def machine_of(number: int) -> str:
    return f"hauler-{number:02}"


def taken_at(shop: ServerProcess, machine: str) -> list[str]:
    """Ids in the order in which the shop carried them out."""
    found: list[str] = []
    with shop.client("admin") as client:
        asked: dict[str, Any] = {"limit": 1000}
        while True:
            page = client.get("/v1/entries", params=asked).raise_for_status().json()
            found += [entry["entry_id"] for entry in page["entries"] if entry["machine"] == machine]
            if page["next"] is None:
                return found
            asked["cursor"] = page["next"]


def comparison(number: int) -> dict[str, Any]:
    return {"subject": "key_off", "compared_with": f"visit {number}"}


def client_through(link: Link, token: str) -> httpx.Client:
    return httpx.Client(base_url=link.url, headers=bearer(token), timeout=10.0, trust_env=False)


def test_invariant_10_an_entry_made_on_a_phone_reaches_the_shop_in_order_and_once(
    tmp_path: Path, shop: ServerProcess
) -> None:
    """No link, closed page, lost reply, ended key, refused entry, server killed: in this order."""
    file, machine = tmp_path / "phone", machine_of(0)
    log: list[str] = []

    def enter(kind: str, content: dict[str, Any], where: str = machine) -> str:
        log.append(Phone(file).enter(kind, where, content))  # a page opened again each time
        return log[-1]

    with Link(shop.port) as link, client_through(link, shop.tokens["planner"]) as client:
        link.cut()
        enter("terminal_restriction", {"value": 25, "unit": "inH2O"})
        enter("second_reading", {"value": 25, "unit": "inH2O"})
        assert not Phone(file).send(client)
        link.restore()
        link.lose_replies(1)
        assert not Phone(file).send(client)
        assert (taken_at(shop, machine), Phone(file).waiting) == (log[:1], log)

        with client_through(link, "k00000000.ended") as signed_out:
            assert not Phone(file).send(signed_out)
        assert Phone(file).waiting == log

        wrong = enter("second_reading", {"value": 30, "unit": "inH2O"})
        enter("element_change", {"note": "after the refused one"})
        assert Phone(file).send(client)
        assert Phone(file).refused == {wrong: "terminal_differs"}
        expected = [entry for entry in log if entry != wrong]
        assert taken_at(shop, machine) == expected

        shop.kill()
        late = enter("hand_comparison", comparison(1))
        assert not Phone(file).send(client)
        shop.start()
        assert Phone(file).send(client)
        assert taken_at(shop, machine) == [*expected, late]
    assert comparisons_noted(shop) == ["visit 1"]


def comparisons_noted(shop: ServerProcess) -> list[str]:
    """What the audit has of comparisons, oldest first: an act that was done twice would stand there twice."""
    with shop.client("admin") as client:
        answer = client.get("/v1/audit", params={"what": "compared_by_hand", "limit": 1000})
    lines = answer.raise_for_status().json()["entries"]
    return [line["values"]["body"]["compared_with"] for line in reversed(lines)]


def disturbed(link: Link, chance: random.Random) -> None:
    """What the link is for the next round: away, up but with a reply that gets lost, or up."""
    fate = chance.random()
    if fate < 0.3:
        link.cut()
    else:
        link.restore()
        link.lose_replies(1 if fate < 0.6 else 0)


def work_through(shop: ServerProcess, file: Path, number: int) -> tuple[list[str], int]:
    """One technician's day: what was entered, in order, and how many replies were lost."""
    chance, log, left = random.Random(number), list[str](), ENTRIES_EACH
    with Link(shop.port) as link:
        for _ in range(ROUNDS):
            phone = Phone(file)  # the page was closed meanwhile
            if left and chance.random() < 0.5:
                left -= 1
                log.append(phone.enter("hand_comparison", machine_of(number), comparison(left)))
            disturbed(link, chance)
            with client_through(link, shop.tokens["planner"]) as client:
                all_sent = phone.send(client)
            if all_sent and not left:
                return log, link.replies_lost
    raise AssertionError(f"{machine_of(number)} still has {Phone(file).waiting} after {ROUNDS} rounds")


def test_thirty_technicians_on_one_machine_each_lose_nothing_and_send_nothing_twice(
    tmp_path: Path, shop: ServerProcess
) -> None:
    """Counted against what each wrote down. Each link is cut and loses replies at random."""
    with ThreadPoolExecutor(TECHNICIANS) as pool:
        days = [pool.submit(work_through, shop, tmp_path / str(n), n) for n in range(TECHNICIANS)]
        results = [day.result() for day in days]
    assert [taken_at(shop, machine_of(n)) for n in range(TECHNICIANS)] == [log for log, _ in results]
    assert len(comparisons_noted(shop)) == TECHNICIANS * ENTRIES_EACH
    assert sum(lost for _, lost in results) > 0
