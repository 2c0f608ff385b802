"""Rows become blocks and small blocks larger ones: the same readings to the last bit, or no change."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import BlockDamaged
from cleanside.ingest.keeping import backup_check, merging
from cleanside.ingest.keeping.merging import MergePlan
from cleanside.ingest.store import (
    block_moves,
    content_hash,
    database,
    fleet,
    models,
    stored_blocks,
    stored_rows,
)
from cleanside.ingest.store.at_rest import HIGHEST, NewReadings, StoredReadingRow, StoredTime
from cleanside.ingest.store.block_units import units_of
from tests.support.databases import opened

UNITS = '{"engine_speed": "r/min", "restriction": "kPa"}'
STREAM = 1
NOW_US = parse_instant("2026-04-01T00:00:00Z").us
START_US = parse_instant("2026-02-28T22:00:00Z").us


@pytest.fixture
def engine(database_url: str) -> Iterator[sa.Engine]:
    """A database with a stream and a set of units, both of id 1."""
    with opened(database_url) as engine:
        with engine.begin() as connection:
            owner_id = fleet.keep_owner(connection, "plateau", 0)
            device = fleet.keep_device(connection, owner_id, "grader-07-intake")
            row = {"id": STREAM, "owner_id": owner_id, "device_id": device.id, "stream": "one"}
            row |= {"mark": 10**6, "highest": 10**6, "first_heard_us": 1, "last_heard_us": 1}
            connection.execute(sa.insert(models.streams), [row])
            connection.execute(sa.insert(models.unit_sets), [{"id": 1, "units": UNITS}])
        yield engine


def new(numbers: range, *, odd: bool = False) -> NewReadings:
    """Readings a second apart; the month changes after two hours. odd: no short decimals, amended."""
    seq = np.array(numbers, np.int64)
    at_us = START_US + 1_000_000 * seq
    units = units_of(UNITS)
    sent = np.array([1_795.0 + seq % 7, np.round(3.05 + seq % 11 / 100, 2)])
    sent = sent / 3.0 if odd else sent
    sent[0, seq % 5 == 0] = np.nan
    uncertainty = np.where(seq % 3 == 0, 4.0, np.nan)
    hashes = content_hash.hashes(at_us.view(np.uint64), uncertainty, sent, units.words) + odd
    values = dict(zip(units.columns, sent * units.factors + units.offsets, strict=True))
    return NewReadings(seq, at_us, uncertainty, hashes, values, 1, START_US)


def put_rows(engine: sa.Engine, *of: NewReadings) -> None:
    sqlite = engine.dialect.name == "sqlite"
    with engine.begin() as connection:
        stored_rows.put(connection, [(STREAM, stored_rows.encode(one, sqlite=sqlite)) for one in of])


def put_blocks(engine: sa.Engine, *of: NewReadings) -> None:
    with engine.begin() as connection:
        stored_blocks.put(connection, [(STREAM, stored_blocks.encode(one, UNITS)) for one in of])


class _TakenBack(Exception):
    pass


def everything(engine: sa.Engine) -> list[str]:
    """Every stored reading, wherever it lies, with all its bits; nothing is changed."""
    found: list[StoredReadingRow] = []
    with suppress(_TakenBack), engine.begin() as connection:
        found = stored_rows.remove(connection, STREAM, ((0, HIGHEST),))
        found += stored_blocks.remove(connection, STREAM, ((0, HIGHEST),))
        raise _TakenBack
    ordered = sorted(found, key=lambda row: int(row["seq"]))
    return [repr(sorted(row.items())) for row in ordered]  # repr: minus zero, and digits to the last


def plan(engine: sa.Engine, **more: Any) -> MergePlan:
    reading, write = partial(database.view, engine), partial(database.in_transaction, engine)
    return MergePlan(reading=reading, write=write, now_us=NOW_US, **more)


def sizes(engine: sa.Engine) -> list[int]:
    """Readings of each block, in order of number."""
    with engine.connect() as connection:
        query = sa.select(models.blocks.c.readings).order_by(models.blocks.c.first_seq)
        return list(connection.scalars(query))


def rows_left(engine: sa.Engine) -> int:
    with engine.connect() as connection:
        return connection.scalar(sa.select(sa.func.count()).select_from(models.readings)) or 0


def test_rows_become_blocks_and_every_bit_stays(engine: sa.Engine) -> None:
    put_rows(engine, new(range(1, 9_001)), new(range(9_001, 9_101), odd=True), new(range(9_200, 9_300)))
    before = everything(engine)
    merged = merging.run_pass(plan(engine))
    assert (merged.packed, merged.streams_with_rows) == (9_200, 0)
    assert rows_left(engine) == 0
    assert everything(engine) == before
    assert len(sizes(engine)) <= 6  # two months, three kinds
    assert merging.run_pass(plan(engine)) == (0, 0, 0)


def test_rows_among_blocks_go_into_them(engine: sa.Engine) -> None:
    """Readings that came before blocks were in use, in the holes of those that came after."""
    put_blocks(engine, new(range(1, 400, 2)), new(range(401, 500)))
    put_rows(engine, new(range(2, 300, 4)), new(range(600, 640)))
    before = everything(engine)
    assert merging.run_pass(plan(engine)).packed == 75 + 40
    assert everything(engine) == before
    assert rows_left(engine) == 0


def test_single_posts_become_one_block(engine: sa.Engine) -> None:
    put_blocks(engine, *(new(range(n, n + 1)) for n in range(1, 601)))
    before = everything(engine)
    assert merging.run_pass(plan(engine)).joined == 599
    assert sizes(engine) == [600]
    assert everything(engine) == before


def test_nothing_is_joined_across_a_large_block(engine: sa.Engine) -> None:
    """Small ones at both of its sides, with numbers missing between or not."""
    put_blocks(engine, new(range(8_001, 8_101)), new(range(8_101, 12_101)), new(range(12_101, 12_201)))
    put_blocks(engine, new(range(12_301, 16_301)), new(range(16_401, 16_501)), new(range(16_601, 16_701)))
    before = everything(engine)
    assert merging.run_pass(plan(engine)).joined == 1
    assert sizes(engine) == [100, 4_000, 100, 4_000, 200]
    assert everything(engine) == before


def test_a_long_row_of_small_blocks_is_looked_at_in_pieces(
    engine: sa.Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(merging, "LOOKED_AT", 6)
    put_blocks(engine, *(new(range(n, n + 2)) for n in range(8_001, 8_041, 4)))  # open gaps: not joined
    put_blocks(engine, new(range(9_001, 9_101)), new(range(9_101, 9_201)))
    with engine.begin() as connection:
        connection.execute(sa.update(models.streams).values(mark=8_000))
    assert merging.run_pass(plan(engine)).joined == 1
    assert sizes(engine) == [2] * 10 + [200]


def test_blocks_of_either_kind_beside_each_other_stay_and_are_not_tried_for_ever(engine: sa.Engine) -> None:
    """Values in SI do not go into a block of values as sent."""
    put_blocks(engine, *(new(range(n, n + 10), odd=n % 20 == 1) for n in range(1, 101, 10)))
    before = everything(engine)
    work = plan(engine)
    merging.run_pass(work)
    assert everything(engine) == before
    assert merging.run_pass(work).joined == 0


def test_a_block_that_changed_since_it_was_read_is_not_replaced(engine: sa.Engine) -> None:
    put_blocks(engine, new(range(1, 301)), new(range(301, 601)))
    with engine.connect() as connection:
        prepared = block_moves.prepare_join(connection, STREAM, [1, 301])
    with engine.begin() as connection:
        stored_blocks.replace_times(connection, STREAM, [StoredTime(7, START_US, None)])
    before = everything(engine)
    with engine.begin() as connection:
        assert block_moves.join(connection, STREAM, prepared) == 0
    assert (sizes(engine), everything(engine)) == ([300, 300], before)


def test_rows_that_changed_since_they_were_read_are_not_replaced(engine: sa.Engine) -> None:
    put_rows(engine, new(range(1, 101)))
    with engine.connect() as connection:
        prepared = block_moves.prepare_pack(connection, STREAM)
    with engine.begin() as connection:
        stored_rows.replace_times(connection, STREAM, [StoredTime(7, START_US, None)])
    before = everything(engine)
    with engine.begin() as connection:
        assert prepared is not None
        assert block_moves.pack(connection, STREAM, prepared) == 0
    assert (rows_left(engine), everything(engine)) == (100, before)


def test_a_row_that_fits_no_block_stays_a_row_and_the_others_are_not_held_up(engine: sa.Engine) -> None:
    """A value whose unit its set does not name: no release wrote one, a person with a shell may have."""
    put_rows(engine, new(range(1, 11)))
    with engine.begin() as connection:
        connection.execute(sa.update(models.readings).values(altitude_m=1_200.0))
    work = plan(engine)
    assert merging.run_pass(work) == (0, 0, 1)
    assert (rows_left(engine), work.left_out) == (10, {(STREAM, 0)})


def test_a_damaged_block_is_left_as_it_is(engine: sa.Engine) -> None:
    put_blocks(engine, *(new(range(n, n + 1)) for n in range(1, 41)))
    with engine.begin() as connection:
        connection.execute(
            sa.update(models.blocks).where(models.blocks.c.first_seq == 7).values(content=b"?")
        )
    work = plan(engine)
    merging.run_pass(work)
    assert (STREAM, 7) in work.left_out
    assert len(sizes(engine)) == 40


@pytest.mark.parametrize(
    ("column", "code"), [("content", "block_checksum_wrong"), ("digest", "block_head_differs")]
)
def test_a_copy_with_a_damaged_block_is_no_sound_backup(engine: sa.Engine, column: str, code: str) -> None:
    """One flipped bit costs a block, not a row: it has to be found while another copy is there."""
    put_blocks(engine, new(range(1, 101)), new(range(101, 201)))
    with engine.begin() as connection:
        backup_check.look(connection)
        of_second = models.blocks.c.first_seq == 101
        found = connection.execute(sa.select(models.blocks.c[column]).where(of_second)).scalar_one()
        other = bytes([found[0], found[1] ^ 1]) + found[2:] if column == "content" else found ^ 1
        connection.execute(sa.update(models.blocks).where(of_second).values({column: other}))
        with pytest.raises(BlockDamaged) as raised:
            backup_check.look(connection)
    assert (raised.value.code, raised.value.values["block"]) == (code, "1/101")


def test_blocks_become_rows_again_for_the_way_back(engine: sa.Engine) -> None:
    put_blocks(engine, new(range(1, 5_001)), new(range(5_001, 5_101), odd=True), new(range(5_200, 5_300, 2)))
    put_rows(engine, new(range(5_201, 5_300, 2)))
    before = everything(engine)
    assert merging.unpack_all(plan(engine)) == 5_150
    assert (sizes(engine), rows_left(engine)) == ([], 5_200)
    assert everything(engine) == before


def test_a_pass_stops_between_two_steps_and_the_next_one_goes_on(engine: sa.Engine) -> None:
    put_rows(engine, new(range(1, 9_001)))
    before = everything(engine)
    calls = iter([False, True])
    assert merging.run_pass(plan(engine, stopping=lambda: next(calls, True))).packed == 4_096
    assert everything(engine) == before
    assert merging.run_pass(plan(engine)).packed == 9_000 - 4_096
    assert everything(engine) == before
