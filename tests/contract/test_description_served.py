"""`/openapi.json` is made once, ahead, and never on the path of readings."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from cleanside.ingest.api import description
from tests.support.serving import Api, batch, in_process


@pytest.fixture
def slow_description(monkeypatch: pytest.MonkeyPatch) -> tuple[list[int], threading.Event]:
    """A description that is not done before it may be; and how often one was begun."""
    begun: list[int] = []
    may_end = threading.Event()
    describe = description.describe

    def waits(*given: Any) -> dict[str, Any]:
        begun.append(1)
        assert may_end.wait(60)
        return describe(*given)

    monkeypatch.setattr(description, "describe", waits)
    return begun, may_end


def test_readings_do_not_wait_for_the_description(
    sqlite_database_url: str, slow_description: tuple[list[int], threading.Event]
) -> None:
    """It was made on the event loop at the first request: a device's post waited for 8 s beside it."""
    begun, may_end = slow_description
    with in_process(sqlite_database_url) as api, ThreadPoolExecutor(3) as pool:
        api.register()
        asked = [pool.submit(api.get, "/openapi.json", key=None) for _ in range(2)]
        try:
            posted = pool.submit(api.send, batch(1, [3.0])).result(timeout=30)
            assert posted["stored"] == 1
            assert not any(one.done() for one in asked)
        finally:
            may_end.set()
        assert [one.result(timeout=60).status_code for one in asked] == [200, 200]
        assert begun == [1]


def test_the_description_has_a_tag_and_is_not_sent_twice(api: Api) -> None:
    """RFC 9110 section 13.1.2."""
    first = api.get("/openapi.json", key=None)
    assert first.headers["content-type"] == "application/json"
    again = api.get("/openapi.json", key=None, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    other = api.get("/openapi.json", key=None, headers={"If-None-Match": '"another"'})
    assert (other.status_code, other.content) == (200, first.content)


def test_the_description_is_made_ahead() -> None:
    made = threading.Event()

    def make() -> dict[str, Any]:
        made.set()
        return {"openapi": "3.1.0"}

    ahead = description.Description(make)
    ahead.start()
    assert made.wait(30)
    assert ahead.document() == {"openapi": "3.1.0"}
