"""
Every list by cursor: no entry twice, none left out, also while entries come; and answers sent once.

Entity tags and If-None-Match: RFC 9110 sections 8.8.3 and 13.1.2.
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.databases import migrated_sqlite
from tests.support.serving import STREAM, Api, batch, in_process

#: list -> what names an entry of it
LISTS = {
    "machines": "machine",
    "devices": "device",
    "keys": "handle",
    "streams": "stream",
    "quarantine": "entry",
    "quarantine/amendments": "amendment",
}
MEMBERS = {"quarantine": "entries", "quarantine/amendments": "amendments"}


@pytest.fixture(scope="module")
def seven(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A database with seven of everything, and its keys; made once."""
    folder = tmp_path_factory.mktemp("seven")
    with in_process(migrated_sqlite(folder)) as running:
        for number in range(7):
            add_one_of_everything(running, number)
        return folder / "ingest.db", running.tokens


@pytest.fixture
def api(seven: tuple[Path, dict[str, str]], tmp_path: Path) -> Iterator[Api]:
    """A server of the test's own over a copy."""
    shutil.copy(seven[0], tmp_path / "ingest.db")
    with in_process(f"sqlite:///{tmp_path / 'ingest.db'}", tokens=seven[1]) as running:
        yield running


def add_one_of_everything(api: Api, number: int) -> None:
    api.register(device=f"loader-{number}-intake", machine=f"loader-{number}")
    api.post("/v1/keys", {"role": "planner"})
    stream = f"{STREAM[:-1]}{number}"
    document = batch(1, [900.0, 901.0], stream=stream)
    api.send(document)
    held = api.get("/v1/quarantine", params={"limit": 1_000}).json()["entries"]
    body = {"entries": [held[-1]["entry"]], "reason": "a test of pages"}
    assert api.post("/v1/quarantine/discards", body).status_code == 200


def pages(api: Api, path: str, limit: int) -> Iterator[list[dict[str, Any]]]:
    """The pages of a list, asked for one by one."""
    member = MEMBERS.get(path, path)
    more: dict[str, Any] = {}
    while True:
        page = api.get(f"/v1/{path}", params={"limit": limit} | more)
        assert page.status_code == 200, page.text
        yield page.json()[member]
        if page.json()["next"] is None:
            return
        more = {"cursor": page.json()["next"]}


@pytest.mark.parametrize("path", sorted(LISTS))
@pytest.mark.parametrize("limit", [1, 3, 1_000])
def test_pages_give_each_entry_once_in_one_order(api: Api, path: str, limit: int) -> None:
    [whole] = pages(api, path, 1_000)
    found = list(pages(api, path, limit))
    assert [entry for page in found for entry in page] == whole
    assert len(whole) >= 7
    assert all(len(page) == limit for page in found[:-1])


@pytest.mark.parametrize("path", sorted(LISTS))
def test_a_walk_meets_every_old_entry_once_while_new_ones_come(api: Api, path: str) -> None:
    name = LISTS[path]
    [before] = pages(api, path, 1_000)
    met: list[Any] = []
    for number, page in enumerate(pages(api, path, 2)):
        met += [entry[name] for entry in page]
        if number < 2:
            add_one_of_everything(api, 8 + number)
    assert len(met) == len(set(met))
    assert {entry[name] for entry in before} <= set(met)


@pytest.mark.parametrize("path", sorted(LISTS))
def test_what_has_not_changed_is_not_sent_again(api: Api, path: str) -> None:
    plain = {"Accept-Encoding": "identity"}  # compressed, the tag is a weak one: test_answers_in_general.py
    first = api.get(f"/v1/{path}", headers=plain)
    tag = first.headers["etag"]
    assert tag.startswith('"')  # strong
    for header in (tag, f'"other", W/{tag}', "*"):
        again = api.get(f"/v1/{path}", headers=plain | {"If-None-Match": header})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert api.get(f"/v1/{path}", headers=plain | {"If-None-Match": '"other"'}).status_code == 200
    add_one_of_everything(api, 8)
    changed = api.get(f"/v1/{path}", headers=plain | {"If-None-Match": tag})
    assert changed.status_code == 200
    assert changed.headers["etag"] != tag


def made_up(*position: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(list(position)).encode()).decode().rstrip("=")


@pytest.mark.parametrize("path", sorted(LISTS))
def test_a_cursor_that_is_none_of_the_list_is_refused(api: Api, path: str) -> None:
    own = api.get(f"/v1/{path}", params={"limit": 1}).json()["next"]
    question = json.loads(base64.urlsafe_b64decode(own + "=" * (-len(own) % 4)))[0]
    other = "machines" if path != "machines" else "devices"
    of_another = api.get(f"/v1/{other}", params={"limit": 1}).json()["next"]
    positions: list[list[Any]] = [[], [None], [True], [2**70], ["\ud800"], ["a\0"], [1, 1], [{}]]
    forged = [made_up(question, *position) for position in positions]
    for cursor in ("x", "é", "[" * 300, made_up(), made_up([1]), of_another, *forged):
        response = api.get(f"/v1/{path}", params={"limit": 1, "cursor": cursor})
        assert (response.status_code, response.json()["code"]) == (422, "not_valid"), cursor
    assert api.get(f"/v1/{path}", params={"limit": 1, "cursor": own}).status_code == 200


def test_a_cursor_is_good_for_the_question_it_came_from(api: Api) -> None:
    cursor = api.get("/v1/quarantine", params={"limit": 1}).json()["next"]
    asked = {"limit": 2, "cursor": cursor}  # another length of page is no other question
    assert api.get("/v1/quarantine", params=asked).status_code == 200
    assert api.get("/v1/quarantine", params=asked | {"state": "discarded"}).status_code == 422


def test_a_bound_key_walks_over_what_it_may_see(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "integrator", "devices": ["loader-3-intake", "loader-5-intake"]})
    headers = {"Authorization": f"Bearer {made.json()['key']}"}
    met: list[str] = []
    more: dict[str, str] = {}
    while True:
        page = api.get("/v1/devices", key=None, headers=headers, params={"limit": 1} | more).json()
        met += [device["device"] for device in page["devices"]]
        if page["next"] is None:
            break
        more = {"cursor": page["next"]}
    assert met == ["loader-3-intake", "loader-5-intake"]


@pytest.mark.parametrize("limit", [0, -1, 1_001, "many"])
def test_a_page_has_a_bounded_length(api: Api, limit: Any) -> None:
    assert api.get("/v1/machines", params={"limit": limit}).status_code == 422
