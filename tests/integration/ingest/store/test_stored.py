"""One stream in rows and in blocks at once: who reads sees one stream, and no number is stored twice."""

from __future__ import annotations

from collections import Counter

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import store_modes, stored
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST
from cleanside.ingest.store.hours import HOUR_US
from cleanside.ingest.store.models import blocks, hours, readings
from tests.support import held
from tests.support.serving import DEVICE, Api, batch

NUMBERS = list(range(1, 91))


def write_blocks(api: Api, *, begin: bool) -> None:
    def choose(connection: sa.Connection) -> None:
        store_modes.stop(connection, store_modes.BLOCKS)
        if begin:
            store_modes.begin(connection, store_modes.BLOCKS, 1)

    api.resources.writer.call(choose)
    api.resources.look_up_form()


@pytest.fixture
def both(api: Api) -> Api:
    """Thirty numbers in a block, thirty in rows, thirty in a block."""
    api.register()
    for place, first in enumerate((1, 31, 61)):
        write_blocks(api, begin=place != 1)
        api.send(part(first))
    with api.resources.reading() as connection:
        in_rows = connection.scalars(sa.select(readings.c.seq).order_by(readings.c.seq)).all()
        in_blocks = connection.execute(sa.select(blocks.c.first_seq, blocks.c.last_seq)).all()
    assert in_rows == NUMBERS[30:60]
    assert sorted(map(tuple, in_blocks)) == [(1, 30), (61, 90)]
    return api


def part(first: int) -> dict[str, object]:
    return batch(first, [3.0 + number % 7 / 100 for number in range(first, first + 30)])


def test_pages_buckets_and_the_account_see_one_stream(both: Api) -> None:
    with both.resources.reading() as connection:
        found = stored.arrays(connection, 1, (1, HIGHEST), ALWAYS, ["at_us", "restriction_pa"])
        newest = stored.newest(connection, 1, 45, ["at_us"])
        near = stored.times_near(connection, 1, (31, 60), 2)
        counted = Counter(row["at_us"] // HOUR_US for row in held.stored(connection))
        by_hour = {row.hour: row.readings for row in connection.execute(sa.select(hours))}
    assert found["seq"].tolist() == NUMBERS
    assert found["restriction_pa"].tolist() == pytest.approx([3000 + n % 7 * 10 for n in NUMBERS])
    assert newest["seq"].tolist() == NUMBERS[-45:]
    assert {29, 30, 61, 62} <= {time.seq for time in near}
    assert by_hour == dict(counted)
    page = both.get(f"/v1/devices/{DEVICE}/readings", params={"limit": 500}).json()
    assert [row["seq"] for row in page["readings"]] == NUMBERS
    [line] = both.account()["streams"]
    assert (line["stored"], line["gap"], line["acknowledged_through"]) == (90, 0, 90)
    assert both.account()["balances"]


def test_a_repeat_is_a_repeat_in_either_place_and_another_content_a_conflict(both: Api) -> None:
    for first in (1, 31, 61):
        answer = both.send(part(first))
        assert (answer["stored"], answer["duplicates"], answer["quarantined"]) == (0, 30, [])
    across = both.send(batch(25, [9.0] * 40))
    assert across["stored"] == 0
    assert both.account()["streams"][0]["conflicts"] == 40
    assert both.account()["balances"]


def test_a_number_in_a_row_and_in_a_block_is_never_committed(both: Api) -> None:
    def twice(connection: sa.Connection) -> None:
        [row] = stored.remove(connection, 1, ((45, 45),))
        store_modes.stop(connection, store_modes.BLOCKS)
        stored.put_back(connection, 1, [row | {"seq": 15}])
        stored.refuse_twice(connection, 1, ((15, 15),))

    with pytest.raises(RuntimeError, match="number 15 of stream 1 would stand in a row and in a block"):
        both.resources.writer.call(twice)
    assert both.account()["balances"]


def test_the_account_finds_a_number_in_a_row_and_in_a_block(both: Api) -> None:
    def twice(connection: sa.Connection) -> None:
        [row] = held.lose(connection, 45)
        store_modes.stop(connection, store_modes.BLOCKS)
        stored.put_back(connection, 1, [row | {"seq": 15}])

    both.resources.writer.call(twice)
    assert "15 are stored twice" in both.account()["streams"][0]["faults"][0]


def test_blocks_that_a_command_stopped_meanwhile_are_written_as_rows(both: Api) -> None:
    """The batch was packed before the command, and is committed after it."""
    both.resources.writer.call(lambda c: store_modes.stop(c, store_modes.BLOCKS))
    assert both.resources.writes_blocks, "this process does not know yet"
    assert both.send(part(91))["stored"] == 30
    with both.resources.reading() as connection:
        in_rows = connection.scalars(sa.select(readings.c.seq).order_by(readings.c.seq)).all()
    assert in_rows == [*range(31, 61), *range(91, 121)]


def test_a_late_run_that_reaches_around_others_goes_into_their_blocks(api: Api) -> None:
    api.register()
    write_blocks(api, begin=True)
    api.send(batch(1, [3.0] * 5))
    api.send(batch(11, [3.0] * 5))
    late = batch(6, [3.0] * 5)
    late["readings"] = [row for row in late["readings"] if row["seq"] in (6, 8, 10)]
    assert api.send(late)["stored"] == 3
    for number in (7, 9):
        assert api.send(batch(number, [3.0]))["stored"] == 1
    with api.resources.reading() as connection:
        assert [row["seq"] for row in held.stored(connection)] == list(range(1, 16))
        assert not connection.scalar(sa.select(sa.func.count()).select_from(readings))
        assert stored.hashes(connection, 1, ((1, 15),)).keys() == set(range(1, 16))
    assert api.account()["balances"]
