"""With an archive or without: whatever comes in whatever order, the same is stored, counted and read out."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.keeping import retention
from tests.support.archiving import archive_all, whole_readings
from tests.support.databases import migrated_sqlite
from tests.support.serving import DEVICE, STREAM, Api, in_process

EXAMPLES = 10
MONTHS_US = [parse_instant(f"{month}-28T22:00:00Z").us for month in ("2025-12", "2026-01", "2026-02")]

#: what is done: a batch (stream, first number, how many, month, other content?), a pass, numbers set aside
Batch = st.tuples(
    st.just("batch"),
    st.integers(1, 3),
    st.integers(1, 60),
    st.integers(1, 40),
    st.sampled_from(MONTHS_US),
    st.booleans(),
)
Pass = st.tuples(st.just("archive"), st.integers(5, 50))
Aside = st.tuples(st.just("aside"), st.integers(1, 3), st.integers(1, 90), st.integers(0, 20))
Back = st.tuples(st.just("back"))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A database with the device, and its keys; made once."""
    folder = tmp_path_factory.mktemp("template")
    with in_process(migrated_sqlite(folder)) as api:
        api.register()
        return folder / "ingest.db", api.tokens


def stream_of(number: int) -> str:
    return f"{STREAM[:-1]}{number}"


def do(api: Api, step: tuple[Any, ...], *, archiving: bool) -> Any:
    """One step; gives what was answered."""
    match step:
        case ("batch", stream, first, count, month_us, other):
            start_us = month_us + first * 600_000_000  # 40 of them reach from one month into the next
            document = {
                "device": DEVICE,
                "stream": stream_of(stream),
                "units": {"restriction": "kPa"},
                "first_seq": first,
                "start": instant_text(start_us),
                "step_ms": [0] + [600_000] * (count - 1),
                "columns": {"restriction": [3.25 if other else 3.0] * count},
            }
            answer = api.send(document)
            return {k: answer[k] for k in ("stored", "duplicates", "acknowledged_through")}
        case ("archive", step_rows):
            if archiving:
                with pytest.MonkeyPatch.context() as patched:
                    patched.setattr(retention, "STEP_ROWS", step_rows)
                    archive_all(api)
        case ("aside", stream, first, more):
            body = {"stream": stream_of(stream), "first": first, "last": first + more, "reason": "a test"}
            response = api.post("/v1/quarantine/set-aside", body)
            return response.status_code, response.json().get("entries")
        case ("back",):
            body = {"where": {"code": "set_aside"}, "change": {"shift_s": 0.5}}
            return api.post("/v1/quarantine/amendments", body).json().get("stored")
    return None


def seen(api: Api) -> tuple[Any, ...]:
    """Everything there is to see of the readings."""
    page = api.get(f"/v1/devices/{DEVICE}/readings", params={"limit": 10_000}).json()["readings"]
    return api.account(), whole_readings(api), page


@settings(
    max_examples=EXAMPLES,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    phases=(Phase.explicit, Phase.generate),  # each example is two servers: shrinking would take minutes
)
@given(steps=st.lists(st.one_of(Batch, Batch, Batch, Pass, Pass, Aside, Back), min_size=6, max_size=16))
def test_an_archive_changes_nothing_that_can_be_seen(
    template: tuple[Path, dict[str, str]], steps: list[tuple[Any, ...]]
) -> None:
    found = []
    for archiving in (True, False):
        with tempfile.TemporaryDirectory() as folder:
            shutil.copy(template[0], Path(folder) / "ingest.db")
            with in_process(f"sqlite:///{folder}/ingest.db", tokens=template[1]) as api:
                answers = [do(api, step, archiving=archiving) for step in steps]
                if archiving:
                    archive_all(api)
                found.append((answers, *seen(api)))
    with_archive, without = found
    assert with_archive == without
    assert without[1]["balances"] is True
