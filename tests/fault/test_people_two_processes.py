"""Two server processes on one database: what one of them learns of people holds in the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import httpx
import pytest

from cleanside.ingest.owners.sign_in_pace import FREE, PAIR
from tests.support.databases import Postgres
from tests.support.people import PASSWORD, code_of
from tests.support.serving import ServerProcess

WRONG = "gravel plateau grader eight"


@pytest.fixture
def both(
    postgres: Postgres, start_server: Callable[..., ServerProcess]
) -> Iterator[tuple[ServerProcess, ServerProcess]]:
    first = start_server(postgres.migrated())
    second = ServerProcess(first.database_url, first.tokens)
    try:
        second.start()
        yield first, second
    finally:
        second.close()


def posted(server: ServerProcess, path: str, **body: str) -> httpx.Response:
    return httpx.post(f"{server.url}{path}", json=body, headers={"Origin": server.url}, timeout=30)


def joined(server: ServerProcess, name: str, role: str) -> str:
    """Somebody new; the token of their session."""
    with server.client("admin") as admin:
        link = admin.post("/v1/people", json={"name": name, "role": role}).json()["link"]
    answer = posted(server, "/v1/invitations/accept", code=code_of(link), password=PASSWORD)
    assert answer.status_code == 201, answer.text
    return answer.cookies["cleanside"]


def status_at(server: ServerProcess, token: str, path: str = "/v1/me") -> int:
    return httpx.get(f"{server.url}{path}", headers={"Cookie": f"cleanside={token}"}).status_code


@pytest.mark.postgres
def test_tries_to_sign_in_are_counted_for_all_processes(both: tuple[ServerProcess, ServerProcess]) -> None:
    """
    Each by itself would let twice as many through.

    A wait begins when a try does, and doubles: where the machine is so busy that it is over before the try is
    answered, the next one has to wait longer.
    """
    joined(both[0], "mara", "viewer")
    answers = list[int]()
    while 429 not in answers and len(answers) < 2 * FREE[PAIR]:
        answer = posted(both[len(answers) % 2], "/v1/sessions", name="mara", password=WRONG)
        answers.append(answer.status_code)
    assert answers[: FREE[PAIR]] == [403] * FREE[PAIR]
    assert answers[-1] == 429


@pytest.mark.postgres
def test_what_ends_in_one_process_is_over_in_the_other_at_once(
    both: tuple[ServerProcess, ServerProcess],
) -> None:
    here, there = both
    boss, mara = joined(here, "boss", "admin"), joined(here, "mara", "operator")
    assert [status_at(there, token) for token in (boss, mara)] == [200, 200]
    assert status_at(there, mara, "/v1/attention") == 200
    headers = {"Cookie": f"cleanside={boss}", "Origin": here.url}
    changed = httpx.patch(f"{here.url}/v1/people/mara", json={"role": "viewer"}, headers=headers)
    assert changed.status_code == 200
    assert status_at(there, mara, "/v1/attention") == 403
    assert httpx.delete(f"{here.url}/v1/people/mara", headers=headers).status_code == 200
    assert status_at(there, mara) == 401
    [session] = httpx.get(f"{there.url}/v1/sessions", headers=headers).json()["sessions"]
    ours = {"Cookie": f"cleanside={boss}", "Origin": there.url}
    gone = httpx.delete(f"{there.url}/v1/sessions/{session['session']}", headers=ours)
    assert gone.status_code == 200
    assert status_at(here, boss) == 401
