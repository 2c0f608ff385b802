"""Any page of a spool's file turns to noise, or any byte: nothing breaks, each number is accounted for."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import CalledWrongly, SpoolDamaged
from cleanside.gateway.spool.pages import read_pages
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.rows import read_rows
from tests.fault.test_spool_rescue import PAGE_BYTES, aged, salvage, spoil
from tests.unit.gateway.helpers import numbers, open_spool, readings, server_anchor, settable_clock

COUNT = 2000
MARK = 500
STREAMS = "number, stream, first_position, last_position, acknowledged_through, sent_through, state"
PLACEMENTS = "boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind"


def take_all(spool: Spool) -> tuple[dict[str, list[int]], dict[str, dict[int, str]]]:
    """All that waits, through the damage, as a gateway does: numbers held, and numbers given up with why."""
    held: dict[str, list[int]] = {}
    shed: dict[str, dict[int, str]] = {}
    damages = 0
    while True:
        try:
            salvage(spool)
            batch = spool.peek(max_readings=5000, max_bytes=2**22)
            if batch is None:
                return held, shed
            stream = batch.stream or ""
            last = max([*(batch.seq or ()), *(entry.last for entry in batch.shed)])
            spool.acknowledge(stream, last)
        except SpoolDamaged:
            damages += 1
            assert damages < 5, "damaged again and again"
            continue
        held.setdefault(stream, []).extend(batch.seq or ())
        for entry in batch.shed:
            given_up = dict.fromkeys(range(entry.first, entry.last + 1), entry.reason)
            shed.setdefault(stream, {}).update(given_up)


def test_whichever_page_is_lost_each_number_is_sent_or_declared(tmp_path: Path) -> None:
    """The first page with the names of the tables, the inner ones, the table of streams, any other."""
    stream = aged(tmp_path / "whole", count=COUNT, mark=MARK)
    sound, lost_counts, marks = (tmp_path / "whole").read_bytes(), [], []
    for page in range(len(sound) // PAGE_BYTES):
        path = tmp_path / f"page-{page}"
        path.write_bytes(sound)
        (tmp_path / f"page-{page}.mark").write_bytes((tmp_path / "whole.mark").read_bytes())
        spoil(path, [page])
        clock = settable_clock()
        with open_spool(path, clock) as spool:
            held, shed = take_all(spool)
            spool.anchor(server_anchor(clock))  # for readings whose times the page has taken along
            late, _ = take_all(spool)
            held.setdefault(stream, []).extend(late.get(stream, ()))
            told = sorted([*held.get(stream, ()), *shed.get(stream, ())])
            expected = list(range(told[0], COUNT + 1))
            assert told == expected, f"page {page}: a number is neither sent nor declared"
            assert told[0] in (1, MARK + 1), f"page {page}"
            lost = [n for n, reason in shed.get(stream, {}).items() if reason == "damaged" and n > MARK]
            marks.append(mark_of(spool))
            lost_counts.append(len(lost))
        # A page that nothing had to be read from is not noticed yet; `verify` looks at all.
        assert bool(verify(path)) != path.with_name(f"{path.name}.damaged-1").exists()
    # Only the unit sets, which say what each payload means, take more along than what their page holds.
    assert sorted(lost_counts)[-2] <= 200
    assert lost_counts[0] == 0, "the first page holds no reading"
    assert sorted(set(marks), key=str) == [str(COUNT - 5), None]
    assert marks.count(None) == 1, "how far a source had come is lost with its own page, and with no other"


def mark_of(spool: Spool) -> str | None:
    with suppress(SpoolDamaged):
        return spool.mark("csv-1")
    return spool.mark("csv-1")


def test_the_pages_alone_give_every_reading_that_sqlite_gives(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 3000))
        spool._disk.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        spool.append(readings(3001, 3400))  # these lie in the log
        spool.append(readings(3401, 3500, timed=False))
        spool.anchor(server_anchor(clock))
        spool.shed(spool.open_stream, 100, 120, reason="disk_budget")
        spool.acknowledge(spool.open_stream, 50)
        connection = spool._disk.connection
        pages = read_pages(tmp_path / "a")
        assert pages.readings(1, 9999) == read_rows(connection, 1, 9999)
        assert pages.readings(2995, 3005) == read_rows(connection, 2995, 3005)
        for found, query in (
            (pages.streams, f"SELECT {STREAMS} FROM streams"),
            (pages.shed, "SELECT stream, first, last, reason FROM shed"),
            (pages.placements, f"SELECT {PLACEMENTS} FROM placements"),
            ([*pages.boots.items()], "SELECT number, boot FROM boots"),
            ([*pages.unit_sets.items()], "SELECT number, units FROM unit_sets"),
            ([*pages.names.items()], "SELECT first_position, stream FROM stream_copies"),
        ):
            assert [tuple(row) for row in found] == connection.execute(query).fetchall()
        assert pages.highest == 3500


def test_a_file_that_is_noise_gives_nothing_and_raises_nothing(tmp_path: Path) -> None:
    chance = random.Random(5)
    for size in (0, 1, 99, PAGE_BYTES, 40 * PAGE_BYTES + 7):
        noise = bytearray(chance.randbytes(size))
        for begin in range(0, size, PAGE_BYTES):
            noise[begin] = chance.choice((10, 13))  # says that it is a leaf
        (tmp_path / "a").write_bytes(noise)
        (tmp_path / "a-wal").write_bytes(chance.randbytes(size))
        pages = read_pages(tmp_path / "a")
        assert (pages.readings(-(2**62), 2**62), pages.streams, pages.names) == ([], [], {})
    assert read_pages(tmp_path / "absent").readings(1, 10) == []


@pytest.mark.parametrize("seed", range(4))
def test_bytes_that_change_break_nothing_and_collection_goes_on(tmp_path: Path, seed: int) -> None:
    """
    Some bytes of a sound file are others. SQLite notices some of them; none may stop the gateway.

    But for the few that say whose file it is: then it is refused, with a clear sentence, and left as it is.
    """
    aged(tmp_path / "whole", count=400, mark=100)
    sound = (tmp_path / "whole").read_bytes()
    chance, refused = random.Random(seed), list[str]()
    for turn in range(25):
        clock = settable_clock()
        path = tmp_path / f"{turn}"
        path.write_bytes(changed(sound, chance, count=chance.choice((1, 3, 30))))
        try:
            spool = open_spool(path, clock, budget_bytes=120_000)
        except CalledWrongly as error:
            refused.append(str(error))
            continue
        with spool:
            take_all(spool)
            spool.make_room()
            for _ in range(3):
                with suppress(SpoolDamaged):
                    assert len(spool.append(readings(9001, 9002))) == 2
            spool.anchor(server_anchor(clock))
            held, shed = take_all(spool)
            assert sum(map(len, held.values())) >= 2, "collection does not go on"
            assert {reason for ranges in shed.values() for reason in ranges.values()} <= {
                "damaged", "disk_budget", "pruned_after_ack",
            }  # fmt: skip
    assert [why for why in refused if not re.search("is the spool of|not a spool", why)] == []
    assert len(refused) <= 3


def changed(sound: bytes, chance: random.Random, *, count: int) -> bytes:
    """The same with so many bytes changed."""
    content = bytearray(sound)
    for _ in range(count):
        content[chance.randrange(len(content))] = chance.randrange(256)
    return bytes(content)


def test_a_payload_that_changed_on_the_disk_is_given_up_told_and_blocks_nothing(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 10))
        rot(spool, [4, 7])
        batch = spool.peek()
        assert batch is not None
        assert numbers(batch) == [1, 2, 3, 5, 6, 8, 9, 10]
        assert [(entry.first, entry.last, entry.reason) for entry in batch.shed] == [
            (4, 4, "damaged"),
            (7, 7, "damaged"),
        ]
        spool.append(readings(11, 11))
        spool.acknowledge(spool.open_stream, 10)
        batch = spool.peek()
        assert batch is not None
        assert batch.gateway is not None
        assert [(event["event"], event["count"]) for event in batch.gateway.events] == [
            ("readings_damaged", 2)
        ]


def test_thinning_gives_up_a_payload_that_changed_and_goes_on(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a", budget_bytes=160_000) as spool:
        spool.append(readings(1, 900))
        rot(spool, range(5, 900, 50))
        spool.append(readings(901, 4000))
        assert spool.used_bytes() <= 160_000
        _, shed = take_all(spool)
        assert {5, 55, 105} <= shed[spool.open_stream].keys()


def rot(spool: Spool, positions: Sequence[int]) -> None:
    """What a failing cell does, past SQLite's notice."""
    spool._disk.connection.executemany(
        "UPDATE readings SET payload = '[3.1,' || char(1) WHERE position = ?", [(n,) for n in positions]
    )
