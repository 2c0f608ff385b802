"""Readings in blocks against a plain dictionary: whatever is put, taken or moved, the same comes back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import BlockDamaged
from cleanside.ingest.store import block_units, content_hash, stored_blocks
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST, NewReadings, StoredTime
from cleanside.ingest.store.block_units import units_of
from cleanside.ingest.store.marks import Ranges, ranges_of
from cleanside.ingest.store.models import blocks, unit_sets
from tests.support.databases import opened

UNITS = {1: '{"engine_speed": "r/min", "restriction": "kPa"}', 2: '{"restriction": "[in_i\'H2O]"}', 3: "{}"}
COLUMNS = tuple(quantity.column for quantity in QUANTITIES.values())
EVERY: Ranges = ((0, HIGHEST),)
TOP = 400  # numbers are below it, so that they meet
#: five hours before a month ends, in steps of minutes: runs cross into the next
NEAR_US = parse_instant("2026-02-28T19:00:00Z").us

Row = dict[str, Any]


@pytest.fixture
def connection(database_url: str) -> Iterator[sa.Connection]:
    with opened(database_url) as engine, engine.begin() as connection:
        rows = [{"id": number, "units": text} for number, text in UNITS.items()]
        connection.execute(sa.insert(unit_sets), rows)
        yield connection


class Model:
    """Readings of streams in dictionaries: what the blocks have to hold."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.streams: dict[int, dict[int, Row]] = {7: {}, 8: {}}
        self.taken: list[Row] = []

    def some(self, numbers: list[int]) -> list[int]:
        """Some of these numbers: one, a run, or scattered ones."""
        if not numbers:
            return []
        first = int(self.rng.integers(len(numbers)))
        share = self.rng.choice([0.0, 0.3, 1.0])
        run = numbers[first : first + int(self.rng.integers(1, 60))]
        return [run[0], *(n for n in run[1:] if self.rng.random() < share)]

    def free(self, stream: int) -> list[int]:
        return [n for n in range(1, TOP) if n not in self.streams[stream]]

    def new(self, stream: int) -> NewReadings:
        """Readings of free numbers: decimals, values without a short decimal, holes, amended hashes."""
        seq = np.array(self.some(self.free(stream)), np.int64)
        many, rng = len(seq), self.rng
        unit_set_id = int(rng.choice([1, 1, 1, 2, 3]))
        units = units_of(UNITS[unit_set_id])
        sent = np.round(rng.uniform(0.0, 40.0, (len(units.names), many)), int(rng.integers(0, 5)))
        if rng.random() < 0.2:
            sent = sent / 3.0  # digits to the last
        sent[rng.random(sent.shape) < 0.1] = np.nan
        at_us = NEAR_US + 60_000_000 * seq + rng.integers(0, 3, many)
        if rng.random() < 0.2:
            at_us[0] -= 40 * 86_400_000_000  # another month, before and after it this one
        uncertainty = np.where(rng.random(many) < 0.5, np.nan, rng.choice([0.0, 4.0, 0.1]))
        si = sent * units.factors + units.offsets
        if rng.random() < 0.1:
            si = np.nextafter(si, 0.0)  # SI that no value as sent may give
        hashes = content_hash.hashes(at_us.view(np.uint64), uncertainty, sent, units.words)
        if rng.random() < 0.3:
            hashes[:: int(rng.integers(1, 5))] += 1  # as a reading has that a person amended
        values = dict(zip(units.columns, si, strict=True))
        received_us = int(rng.integers(1, 10**15))
        return NewReadings(seq, at_us, uncertainty, hashes, values, unit_set_id, received_us)

    def put(self, stream: int, new: NewReadings) -> None:
        for place, seq in enumerate(new.seq.tolist()):
            values = {name: new.values[name][place] for name in new.values}
            row = {"stream_id": stream, "seq": seq, "unit_set_id": new.unit_set_id} | dict.fromkeys(COLUMNS)
            row |= {"at_us": int(new.at_us[place]), "content_hash": int(new.content_hash[place])}
            row |= {"at_uncertainty_s": new.at_uncertainty_s[place], "received_us": new.received_us}
            row |= {name: float(value) for name, value in values.items()}
            self.streams[stream][seq] = {k: None if v != v else v for k, v in row.items()}

    def rows(self, stream: int, numbers: Ranges = EVERY) -> list[Row]:
        """In order of number."""
        chosen = [n for n in sorted(self.streams[stream]) if any(a <= n <= b for a, b in numbers)]
        return [self.streams[stream][n] for n in chosen]


def step(connection: sa.Connection, model: Model) -> None:
    """Change the blocks, and the model in the same way."""
    stream = int(model.rng.choice([7, 8]))
    of_stream = model.streams[stream]
    match model.rng.choice(["put", "put", "put", "remove", "back", "times", "give"]):
        case "put" if model.free(stream):
            new = model.new(stream)
            encoded = stored_blocks.encode(new, UNITS[new.unit_set_id])
            stored_blocks.put(connection, [(stream, encoded)])
            model.put(stream, new)
            stored_blocks.refuse_twice(connection, stream, ranges_of(new.seq.tolist()))
        case "remove" if of_stream:
            numbers = ranges_of(model.some(list(range(1, TOP))))
            expected = model.rows(stream, numbers)
            assert stored_blocks.remove(connection, stream, numbers) == expected
            model.taken += [of_stream.pop(row["seq"]) for row in expected]
        case "back":
            fits = {row["seq"]: row for row in model.taken if row["seq"] not in of_stream}
            rows = [row | {"stream_id": stream} for row in fits.values()]
            model.taken = []
            if rows:
                stored_blocks.put_back(connection, stream, rows)
                of_stream.update({row["seq"]: row for row in rows})
        case "times" if of_stream:
            shift_us = int(model.rng.choice([1, -86_400_000_000, 86_400_000_000 * 3]))
            times = [
                StoredTime(seq, of_stream[seq]["at_us"] + shift_us, 2.5)
                for seq in model.some(sorted(of_stream))
            ]
            stored_blocks.replace_times(connection, stream, times)
            for seq, at_us, uncertainty in times:
                of_stream[seq] |= {"at_us": at_us, "at_uncertainty_s": uncertainty}
        case "give":
            other = model.streams[15 - stream]
            first, last = sorted(model.rng.integers(1, TOP, 2).tolist())
            if not any(first <= seq <= last for seq in other):
                stored_blocks.give(connection, stream, 15 - stream, (first, last))
                for row in model.rows(stream, ((first, last),)):
                    other[row["seq"]] = of_stream.pop(row["seq"]) | {"stream_id": 15 - stream}


def assert_same(connection: sa.Connection, model: Model) -> None:
    """Every question about a stream, asked of the blocks and of the model."""
    for stream, of_stream in model.streams.items():
        rows = model.rows(stream)
        assert stored_blocks.ranges(connection, stream) == ranges_of(sorted(of_stream))
        numbers = ranges_of(model.some(list(range(1, TOP))))
        some = model.rows(stream, numbers)
        found = stored_blocks.hashes(connection, stream, numbers)
        assert found == {row["seq"]: row["content_hash"] for row in some}
        assert sorted(stored_blocks.times(connection, stream, numbers)) == [times_of(row) for row in some]
        single = [n for a, b in numbers for n in range(a, b + 1)]
        received = {row["seq"]: row["received_us"] for row in some}
        assert stored_blocks.received(connection, stream, single) == received
        assert_near(connection, model, stream)
        assert_by_time(connection, stream, model, rows)
        newest = stored_blocks.newest(connection, stream, 20, ("at_us", "restriction_pa"))
        assert_arrays(newest, rows[-20:], ("at_us", "restriction_pa"))
        uncorrected = stored_blocks.uncorrected(connection, stream, (1, TOP), limit=30)
        assert uncorrected == [times_of(row) for row in rows[:30]]
    assert_heads(connection, model)


def times_of(row: Row) -> StoredTime:
    return StoredTime(row["seq"], row["at_us"], row["at_uncertainty_s"])


def assert_near(connection: sa.Connection, model: Model, stream: int) -> None:
    first, last = sorted(model.rng.integers(1, TOP, 2).tolist())
    rows = [times_of(row) for row in model.rows(stream)]
    found = sorted(stored_blocks.times_near(connection, stream, (first, last), 3))
    below, above = [t for t in rows if t.seq < first][-3:], [t for t in rows if t.seq > last][:3]
    between = [t for t in rows if first <= t.seq <= last]
    assert {*below, *between, *above} <= set(found) <= set(rows)
    assert [t for t in found if first <= t.seq <= last] == between


def assert_by_time(connection: sa.Connection, stream: int, model: Model, rows: list[Row]) -> None:
    columns = ("at_us", "received_us", "at_uncertainty_s", "restriction_pa", "engine_speed_rad_s")
    span = sorted(NEAR_US + 60_000_000 * model.rng.integers(1, TOP, 2))
    for numbers, span_us in (((0, HIGHEST), ALWAYS), ((50, 250), (int(span[0]), int(span[1])))):
        inside = [
            row
            for row in rows
            if numbers[0] <= row["seq"] <= numbers[1] and span_us[0] <= row["at_us"] < span_us[1]
        ]
        found = stored_blocks.arrays(connection, stream, numbers, span_us, columns)
        assert_arrays(found, inside, columns)
        part = stored_blocks.hour_columns(connection, stream, numbers, span_us, ("restriction_pa",))
        assert sorted(part["at_us"]) == sorted(row["at_us"] for row in inside)
        values = sorted(v for v in part.get("restriction_pa", ()) if v == v)
        assert values == sorted(row["restriction_pa"] for row in inside if row["restriction_pa"] is not None)
        steps = stored_blocks.time_steps(connection, stream, numbers, span_us, ("restriction_pa",), 10**9)
        assert dict(zip(steps.step.tolist(), steps.readings.tolist(), strict=True)) == by_step(inside)
        whole = stored_blocks.whole(connection, stream, numbers, span_us, limit=10)
        found = {name: whole.values.get(name, np.full(whole.many, np.nan)) for name in columns}
        found |= {name: getattr(whole, name) for name in (*columns[:3], "seq", "content_hash")}
        assert_arrays(found, inside[:10], (*columns, "content_hash"))
    counted = dict(stored_blocks.count_by_step(connection, stream, int(span[1]), 10**9))
    assert counted == by_step([row for row in rows if row["at_us"] < span[1]])


def by_step(rows: list[Row]) -> dict[int, int]:
    steps = [row["at_us"] // 10**9 for row in rows]
    return {step: steps.count(step) for step in set(steps)}


def assert_arrays(found: dict[str, np.ndarray], rows: list[Row], columns: tuple[str, ...]) -> None:
    assert found["seq"].tolist() == [row["seq"] for row in rows]
    for name in columns:
        assert [None if v != v else v for v in found[name].tolist()] == [row[name] for row in rows], name


def assert_heads(connection: sa.Connection, model: Model) -> None:
    """What the heads say is what is inside: one month and set of units, count, bounds, digest; no overlap."""
    for head in connection.execute(sa.select(blocks).order_by(blocks.c.stream_id, blocks.c.first_seq)):
        rows = model.rows(head.stream_id, ((head.first_seq, head.last_seq),))
        assert (rows[0]["seq"], rows[-1]["seq"], len(rows)) == (head.first_seq, head.last_seq, head.readings)
        assert {row["unit_set_id"] for row in rows} == {head.unit_set_id}
        instants, received = [row["at_us"] for row in rows], [row["received_us"] for row in rows]
        assert (min(instants), max(instants)) == (head.first_us, head.last_us)
        assert (min(received), max(received)) == (head.first_received_us, head.last_received_us)
        assert len({np.datetime64(at_us, "us").astype("M8[M]") for at_us in instants}) == 1
        assert (sum(row["content_hash"] for row in rows) - head.digest) % 2**64 == 0
    counted = connection.scalar(sa.select(sa.func.coalesce(sa.func.sum(blocks.c.readings), 0)))
    assert counted == sum(map(len, model.streams.values()))


@pytest.mark.parametrize("seed", range(4))
def test_blocks_hold_what_a_plain_dictionary_holds(connection: sa.Connection, seed: int) -> None:
    model = Model(seed)
    for _ in range(25):
        step(connection, model)
        assert_same(connection, model)
    for stream in model.streams:
        assert stored_blocks.remove(connection, stream, EVERY) == model.rows(stream)
    assert connection.scalar(sa.select(sa.func.count()).select_from(blocks)) == 0


def plain(seq: range, *, start_us: int = NEAR_US) -> NewReadings:
    """Readings of set 1, a minute apart."""
    numbers = np.array(seq, np.int64)
    at_us = start_us + 60_000_000 * np.arange(len(seq))
    sent = np.array([np.full(len(seq), 1_800.0), 3.0 + np.arange(len(seq)) % 7 / 100])
    units = units_of(UNITS[1])
    hashes = content_hash.hashes(at_us.view(np.uint64), None, sent, units.words)
    values = dict(zip(units.columns, sent * units.factors + units.offsets, strict=True))
    return NewReadings(numbers, at_us, np.full(len(seq), np.nan), hashes, values, 1, 5)


def put(connection: sa.Connection, new: NewReadings, *, stream: int = 7) -> None:
    stored_blocks.put(connection, [(stream, stored_blocks.encode(new, UNITS[new.unit_set_id]))])


def heads(connection: sa.Connection) -> list[tuple[int, int, int]]:
    """(first number, last number, readings) of every block."""
    query = sa.select(blocks.c.first_seq, blocks.c.last_seq, blocks.c.readings)
    return [tuple(row) for row in connection.execute(query.order_by(blocks.c.stream_id, blocks.c.first_seq))]


def test_an_accepted_run_is_one_block_and_a_run_across_months_two(connection: sa.Connection) -> None:
    batches = [plain(range(1, 301)), plain(range(301, 801), start_us=NEAR_US + 300 * 60_000_000)]
    stored_blocks.append(connection, [(7, stored_blocks.encode(new, UNITS[1])) for new in batches])
    assert heads(connection) == [(1, 300, 300), (301, 800, 500)]
    stored_blocks.remove(connection, 7, EVERY)
    put(connection, plain(range(1, 401), start_us=parse_instant("2026-02-28T23:00:00Z").us))
    assert heads(connection) == [(1, 60, 60), (61, 400, 340)]


def test_a_number_inside_a_block_goes_into_it_and_one_beside_it_does_not(connection: sa.Connection) -> None:
    put(connection, plain(range(1, 100, 2)))
    put(connection, plain(range(50, 51)))
    put(connection, plain(range(200, 201)))
    assert heads(connection) == [(1, 99, 51), (200, 200, 1)]


def test_numbers_around_blocks_fall_apart_into_them_and_beside_them(connection: sa.Connection) -> None:
    put(connection, plain(range(10, 21, 2)))
    put(connection, plain(range(30, 41, 2)))
    put(connection, plain(range(5, 50, 6)))  # 5 | 11 17 | 23 29 | 35 | 41 47
    assert heads(connection) == [(5, 5, 1), (10, 20, 8), (23, 29, 2), (30, 40, 7), (41, 47, 2)]


def test_a_reading_of_another_month_or_set_of_units_cuts_the_block_around_it(
    connection: sa.Connection,
) -> None:
    put(connection, plain(range(1, 10, 2)))
    put(connection, plain(range(4, 5), start_us=NEAR_US - 40 * 86_400_000_000))
    assert heads(connection) == [(1, 3, 2), (4, 4, 1), (5, 9, 3)]


def test_a_number_that_is_stored_is_refused(connection: sa.Connection) -> None:
    put(connection, plain(range(1, 10)))
    with pytest.raises(ValueError, match="number 4 "):
        put(connection, plain(range(4, 5)))


def test_blocks_that_overlap_fail_the_transaction(connection: sa.Connection) -> None:
    """No key holds it on its own: the lock of the stream and this look do."""
    new = [stored_blocks.encode(plain(numbers), UNITS[1]) for numbers in (range(1, 10), range(9, 12))]
    stored_blocks.append(connection, [(7, encoded) for encoded in new])
    with pytest.raises(RuntimeError, match="number 9 "):
        stored_blocks.refuse_twice(connection, 7, ((10, 11),))


def test_a_run_longer_than_a_block_is_several(connection: sa.Connection) -> None:
    put(connection, plain(range(1, 20_001), start_us=parse_instant("2026-03-01T00:00:00Z").us))
    assert [readings for *_, readings in heads(connection)] == [8_192, 8_192, 3_616]


def test_a_damaged_block_is_named(connection: sa.Connection) -> None:
    put(connection, plain(range(1, 10)))
    content: bytes = connection.execute(sa.select(blocks.c.content)).scalar_one()
    connection.execute(sa.update(blocks).values(content=content[:20] + b"?" + content[21:]))
    with pytest.raises(BlockDamaged) as raised:
        stored_blocks.hashes(connection, 7, EVERY)
    assert (raised.value.code, raised.value.values["block"]) == ("block_checksum_wrong", "7/1")


def never_sent() -> float:
    """
    A pressure that no value in kPa gives.

    Doubles near 4.05 are 8.9e-16 apart, times 1000 twice as far as those near 4050.
    """
    near = [4_050.0, float(np.nextafter(4_050.0, 0.0)), float(np.nextafter(4_050.0, 5_000.0))]
    units = units_of('{"restriction": "kPa"}')
    return next(si for si in near if block_units.as_sent(np.array([[si]]), units) is None)


def test_values_as_sent_need_no_hash_and_values_in_si_keep_theirs() -> None:
    new = plain(range(1, 200))
    follows = stored_blocks.encode(new, UNITS[1])
    values = {**new.values, "restriction_pa": np.full(199, never_sent())}
    kept = stored_blocks.encode(new._replace(values=values), UNITS[1])
    assert (follows.runs()[0].content.in_si, follows.runs()[0].content.hash_stored) == (False, None)
    assert kept.runs()[0].content.in_si
    assert (block_units.hashes(kept.runs()[0].content, kept.runs()[0].units) == new.content_hash).all()
    assert len(follows.rows[0][-1]) < 3 * 199 < 8 * 199 < len(kept.rows[0][-1])
