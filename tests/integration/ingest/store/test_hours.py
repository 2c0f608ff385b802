"""Readings fetched as columns are those that were stored, whichever columns they have and since when."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.summarising import COLUMNS
from cleanside.ingest.store.raw import readings_between
from tests.support.serving import DEVICE, STREAM, in_process

BEGIN_US = parse_instant("2026-02-20T06:00:00Z").us


@pytest.mark.parametrize("speed_from", [0, 1, 150])
def test_a_column_that_begins_late_is_fetched_whole_and_one_that_never_came_is_not(
    database_url: str, speed_from: int
) -> None:
    restriction = [3000.0 + n / 7 if n % 3 else None for n in range(300)]
    speed = [180.0 + n / 9 if n >= speed_from and n % 4 else None for n in range(300)]
    with in_process(database_url) as api:
        api.register()
        for first in range(0, 300, 100):
            api.send(
                {
                    "device": DEVICE,
                    "stream": STREAM,
                    "units": {"restriction": "Pa", "engine_speed": "rad/s"},
                    "first_seq": first + 1,
                    "start": instant_text(BEGIN_US + first * 1_000_000),
                    "step_ms": [0] + [1000] * 99,
                    "columns": {
                        "restriction": restriction[first : first + 100],
                        "engine_speed": speed[first : first + 100],
                    },
                }
            )
        with api.resources.reading() as connection:
            [part] = readings_between(connection, 1, BEGIN_US + 1, BEGIN_US + 298_000_001, COLUMNS)
    assert list(part) == ["at_us", "restriction_pa", "engine_speed_rad_s"]
    order = np.argsort(part["at_us"])
    assert part["at_us"][order].tolist() == [BEGIN_US + n * 1_000_000 for n in range(1, 299)]
    for name, sent in (("restriction_pa", restriction), ("engine_speed_rad_s", speed)):
        expected = np.array([np.nan if value is None else value for value in sent[1:299]])
        np.testing.assert_array_equal(part[name][order], expected)
