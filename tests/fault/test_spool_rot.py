"""
One bit of a spool changes on the disk: it is harmless, repaired, or declared, and never another value.

`pytest -s tests/fault/test_spool_rot.py` tries a thousand seeded changes and prints how they ended; others:
`python -m tests.fault.test_spool_rot --changes 1000 --seed 7`.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import CalledWrongly, SpoolDamaged
from cleanside.gateway.spool.high_mark import SUFFIX, Extent, HighMark, read_mark
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.volume import Unlimited
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.wire import Batch, Reading, us_of
from tests.unit.gateway.helpers import (
    BEGIN,
    UNITS,
    open_spool,
    reading,
    readings,
    server_anchor,
    settable_clock,
)

COUNT = 260
MARK = 60
OWN = 9001  # the reading that a gateway appends to the damaged file
PARTS = ("", "-wal", SUFFIX)
OTHER_UNITS = {"restriction": "mbar", "engine_speed": "Hz"}


@dataclass(frozen=True)
class Said:
    """What a server gets of one reading."""

    at_us: int
    uncertainty_s: float | None
    values: tuple[tuple[str, float | None, str], ...]


@dataclass
class Sent:
    """All that waited, sent to its end."""

    #: stream and number -> what was said
    readings: dict[tuple[str, int], Said] = field(default_factory=dict)
    given_up: set[tuple[str, int]] = field(default_factory=set)
    events: list[str] = field(default_factory=list)
    damages: int = 0


def write(path: Path) -> None:
    """A spool in use: two boots, two unit sets, times of its own and the boot's, a part in the log."""
    clock = settable_clock()
    with open_spool(path, clock) as spool:
        spool.append(readings(1, 80), source="csv-1", mark="80")
        spool.append(readings(81, 100, timed=False))
        spool.anchor(server_anchor(clock))
        spool.acknowledge(spool.open_stream, MARK)
        spool.shed(spool.open_stream, 70, 74, reason="disk_budget")
        spool.event("key_on")
    clock.key_off(off_s=3_600, boot_id="boot-2")
    with open_spool(path, clock) as spool:
        spool.append(readings(101, 200, timed=False))
        spool.anchor(server_anchor(clock))
        spool._disk.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        values = {"restriction": 3.25, "engine_speed": 30.0}
        other = Reading(at=BEGIN, values=values, units=OTHER_UNITS, at_uncertainty_s=2.5)
        spool.append([other] * 10)
        for number in range(211, COUNT + 1, 10):
            spool.append(readings(number, number + 9), source="csv-1", mark=str(number + 9))
        for part in PARTS:  # as a key-off leaves it: with its log
            shutil.copy(f"{path}{part}", f"{path}.off{part}")


def later_boot() -> SettableClock:
    clock = settable_clock()
    clock.key_off(off_s=90_000, boot_id="boot-3")
    return clock


def send_all(path: Path, clock: SettableClock, *, rewind: bool = False, is_anchored: bool = False) -> Sent:
    """What a gateway sends of the file at `path`, through all damage. Raises CalledWrongly: it is refused."""
    sent = Sent()
    with open_spool(path, clock, volume=Unlimited()) as spool:  # no reserve: it is what takes longest
        if rewind:
            spool.rewind(spool.open_stream, 0)
        if is_anchored:
            spool.anchor(server_anchor(clock))
        append_one(spool)
        while True:
            try:
                while spool.salvage():
                    pass
                batch = spool.peek(max_readings=5000, max_bytes=2**22)
                if batch is None:
                    break
                take(sent, batch)
                last = max([*(batch.seq or ()), *(entry.last for entry in batch.shed)])
                spool.acknowledge(batch.stream or "", last)
            except SpoolDamaged:
                sent.damages += 1
                assert sent.damages < 5, "damaged again and again"
    return sent


def append_one(spool: Spool) -> None:
    for _ in range(3):
        with suppress(SpoolDamaged):
            spool.append([reading(OWN)])
            return


def take(sent: Sent, batch: Batch) -> None:
    doubt = batch.at_uncertainty_s
    for index, seq in enumerate(batch.seq or ()):
        values = tuple(
            (name, column[index], batch.units[name])
            for name, column in batch.columns.items()
            if column[index] is not None
        )
        at_us, uncertainty_s = batch.at_us[index], doubt[index] if isinstance(doubt, list) else doubt
        assert at_us is not None
        assert uncertainty_s is None or isinstance(uncertainty_s, float)
        said = Said(at_us, uncertainty_s, values)
        key = (batch.stream or "", seq)
        assert sent.readings.setdefault(key, said) == said, f"number {seq} was sent twice with other content"
    for entry in batch.shed:
        sent.given_up |= {(batch.stream or "", n) for n in range(entry.first, entry.last + 1)}
    if batch.gateway is not None:
        sent.events += [str(event["event"]) for event in batch.gateway.events]


OWN_SAID = Said(
    us_of(reading(OWN).at or BEGIN), None, (("restriction", OWN / 100, "kPa"), ("engine_speed", OWN, "r/min"))
)


@dataclass
class Trials:
    """Changes of one bit, one at a time, in copies of one sound spool."""

    folder: Path
    chance: random.Random
    outcomes: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        write(self.folder / "whole")
        self.sound = self.folder / "whole.off"
        # From the first on: where the mark is lost, all that the spool has is sent once more.
        self.truth = send_all(self.copy("truth"), later_boot(), rewind=True)
        ((self.stream, _), *_) = self.truth.readings
        assert len(self.truth.readings) == COUNT - 5 + 1
        self.bits = [(part, Path(f"{self.sound}{part}").stat().st_size * 8) for part in PARTS]

    def copy(self, name: str) -> Path:
        path = self.folder / name / "a"
        path.parent.mkdir()
        for part in PARTS:
            shutil.copy(f"{self.sound}{part}", f"{path}{part}")
        return path

    def run(self, count: int) -> None:
        """Try so many changes; files by turns, the mark seldom."""
        for number in range(count):
            part = self.chance.choices(PARTS, (60, 36, 4))[0]
            bit = self.chance.randrange(dict(self.bits)[part])
            path = self.copy(f"{number}")
            flip(Path(f"{path}{part}"), bit)
            self.outcomes[self.judge(path, f"{number}: bit {bit} of a{part}")] += 1
            shutil.rmtree(path.parent)

    def judge(self, path: Path, which: str) -> str:
        """How it ended; fails where another value was sent, or a number is neither sent nor declared."""
        clock = later_boot()
        try:
            sent = send_all(path, clock)
        except CalledWrongly:
            return "refused"  # another's file, or a later version's, as far as can be told: left as it is
        for key, said in sent.readings.items():
            expected = self.truth.readings.get(key, OWN_SAID)  # in a stream of its own, where one was opened
            assert said == expected, f"{which}: {key} was sent as another reading"
        told = {n for stream, n in (*sent.readings, *sent.given_up) if stream == self.stream}
        missing = set(range(MARK + 1, COUNT + 1)) - told
        if missing and waiting(path):
            missing -= self.timed_again(path, clock, which)
            assert not missing, f"{which}: {sorted(missing)[:9]}"
            return "timed again"
        if missing:
            assert "spool_tail_unknown" in sent.events, f"{which}: {sorted(missing)[:9]}"
            assert missing == set(range(min(missing), COUNT + 1)), f"{which}: more than the end is missing"
        if missing or sent.given_up - self.truth.given_up:
            return "declared"
        return "repaired" if sent.damages or "spool_replaced" in sent.events else "harmless"

    def timed_again(self, path: Path, clock: SettableClock, which: str) -> set[int]:
        """
        The time of some readings went with its page: they wait for a clock that knows it.

        They are sent then with the values they had, and with a time that is right within what it states.
        """
        sent = send_all(path, clock, is_anchored=True)
        for key, said in sent.readings.items():
            if (expected := self.truth.readings.get(key)) is not None:
                off_us = abs(said.at_us - expected.at_us)
                assert said.values == expected.values, f"{which}: {key} was sent as another reading"
                assert off_us <= (said.uncertainty_s or 0.0) * 1e6 + 1000, (
                    f"{which}: {key} is {off_us} us off"
                )
        return {n for stream, n in (*sent.readings, *sent.given_up) if stream == self.stream}


def waiting(path: Path) -> bool:
    """Readings are left that wait for their boot to be placed."""
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    query = "SELECT count(*) FROM boots WHERE number NOT IN (SELECT boot FROM placements) AND number < 1"
    try:
        return bool(connection.execute(query).get)
    finally:
        connection.close()


def flip(path: Path, bit: int) -> None:
    with path.open("r+b") as file:
        file.seek(bit // 8)
        (byte,) = file.read(1)
        file.seek(bit // 8)
        file.write(bytes([byte ^ 1 << bit % 8]))


@contextmanager
def memory_folder() -> Iterator[Path]:
    """A folder in memory where the system has one: values are looked at here, and no power is cut."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder)


@pytest.fixture
def in_memory() -> Iterator[Path]:
    with memory_folder() as folder:
        yield folder


def test_a_deleted_log_is_noticed_and_the_range_declared(tmp_path: Path) -> None:
    """As reported: 13 of 13 trials lost 212 to 2,000 unsent readings, and `verify` said sound."""
    trials = Trials(tmp_path, random.Random(0))
    path = trials.copy("no-log")
    Path(f"{path}-wal").unlink()
    (finding,) = verify(path)
    assert finding == f"stream {trials.stream}: 201..{COUNT} were written and are not in the file"
    sent = send_all(path, later_boot())
    assert sent.given_up - trials.truth.given_up == {(trials.stream, n) for n in range(201, COUNT + 1)}
    assert "spool_tail_lost" in sent.events
    assert {n for stream, n in sent.readings if stream == trials.stream} == {*range(61, 70), *range(75, 201)}
    assert verify(path) == []


@pytest.mark.parametrize("missing", [("-wal", SUFFIX), (SUFFIX,)])
def test_a_file_without_its_mark_goes_on_in_a_new_stream_and_says_that_its_end_is_unknown(
    tmp_path: Path, missing: tuple[str, ...]
) -> None:
    """Only the file was copied, for one."""
    trials = Trials(tmp_path, random.Random(0))
    path = trials.copy("alone")
    for part in missing:
        Path(f"{path}{part}").unlink()
    (finding,) = verify(path)
    assert "is not known" in finding
    sent = send_all(path, later_boot())
    assert "spool_tail_unknown" in sent.events
    assert {stream for (stream, _), said in sent.readings.items() if said == OWN_SAID} != {trials.stream}
    assert verify(path) == []
    with open_spool(path, later_boot()) as spool:  # once is enough
        assert len(spool.state().streams) == 2


def test_an_older_copy_of_the_file_is_noticed(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20))
        old = spool.open_stream
    copy = (tmp_path / "a").read_bytes()
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(21, 50))
    (tmp_path / "a").write_bytes(copy)
    with open_spool(tmp_path / "a") as spool:
        assert spool.open_stream != old
        row = spool.stream(old)
        assert (row.appended_through, row.state) == (50, "forked")
    sent = send_all(tmp_path / "a", settable_clock())
    assert sent.given_up == {(old, n) for n in range(21, 51)}


def test_a_file_that_is_gone_is_declared_by_its_mark(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20))
        old = spool.open_stream
    (tmp_path / "a").unlink()
    sent = send_all(tmp_path / "a", settable_clock())
    assert sent.given_up == {(old, n) for n in range(1, 21)}
    assert "spool_tail_lost" in sent.events


def test_a_mark_is_never_ahead_of_the_disk_and_outlasts_a_torn_copy(tmp_path: Path) -> None:
    stream = "01a23556-a300-7000-8000-000000000008"
    mark = HighMark(tmp_path / "a")
    assert mark.read() is None
    for number in (7, 8):
        mark.write(stream, number)
    mark.close()
    assert read_mark(tmp_path / "a") == Extent(stream, 8)
    whole = (tmp_path / f"a{SUFFIX}").read_bytes()
    for begin in (0, 4096):
        content = bytearray(whole)
        content[begin + 20] ^= 1
        (tmp_path / f"a{SUFFIX}").write_bytes(content)
        assert read_mark(tmp_path / "a") in (Extent(stream, 7), Extent(stream, 8))
    (tmp_path / f"a{SUFFIX}").write_bytes(bytes(8192))
    assert read_mark(tmp_path / "a") is None


def test_a_value_that_changed_is_found_by_verify_and_given_up(tmp_path: Path) -> None:
    """As reported: 1004.25 became 9004.25 in the file, `verify` said sound, and it was stored."""
    with open_spool(tmp_path / "a") as spool:
        values = {"restriction": 1004.25, "engine_speed": 4}
        spool.append([Reading(at=BEGIN, values=values, units=UNITS), reading(2)])
        stream = spool.open_stream
    content = (tmp_path / "a").read_bytes()
    assert content.count(b"[1004.25,") == 1
    (tmp_path / "a").write_bytes(content.replace(b"[1004.25,", b"[9004.25,"))
    (finding,) = verify(tmp_path / "a")
    assert "position 1" in finding
    sent = send_all(tmp_path / "a", settable_clock())
    assert sent.given_up == {(stream, 1)}


@pytest.mark.parametrize("seed", range(4))
def test_a_bit_that_changes_is_harmless_repaired_or_declared(in_memory: Path, seed: int) -> None:
    """A thousand changes in all. How each ended is counted; none may end with another value."""
    trials = Trials(in_memory, random.Random(seed))
    trials.run(250)
    print(dict(trials.outcomes))  # noqa: T201 - the figures are what pytest -s is asked for
    assert trials.outcomes.total() == 250
    assert set(trials.outcomes) <= {"harmless", "repaired", "timed again", "declared", "refused"}
    assert trials.outcomes["refused"] <= 2
    assert trials.outcomes["declared"] > 50, "the changes hit what matters"


def test_a_mark_that_changes_under_a_running_gateway_is_not_taken_for_what_was_acknowledged(
    tmp_path: Path,
) -> None:
    """5 became 69 in the row of the stream: numbers 8 to 20 would count as acknowledged, and never go."""
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20))
        stream = spool.open_stream
        spool.acknowledge(stream, 5)
        spool._disk.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        content = (tmp_path / "a").read_bytes()
        assert content.count(b"\x05\x05open[") == 1
        (tmp_path / "a").write_bytes(content.replace(b"\x05\x05open[", b"\x45\x05open["))
        spool._disk.connection.execute("PRAGMA shrink_memory")  # it is read from the disk again
        with pytest.raises(SpoolDamaged):
            spool.acknowledge(stream, 7)
    sent = send_all(tmp_path / "a", settable_clock())
    told = {n for name, n in (*sent.readings, *sent.given_up) if name == stream}
    assert set(range(8, 21)) <= told


def test_a_full_disk_without_room_for_the_mark_raises_no_alarm_later(tmp_path: Path) -> None:
    (tmp_path / f"a{SUFFIX}").mkdir()  # nothing can be written there
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        stream = spool.open_stream
    with open_spool(tmp_path / "a") as spool:
        assert spool.open_stream == stream
    (tmp_path / f"a{SUFFIX}").rmdir()
    with open_spool(tmp_path / "a") as spool:
        assert spool.open_stream == stream
    assert read_mark(tmp_path / "a") == Extent(stream, 3)


def test_a_name_of_a_stream_that_changed_in_its_copy_is_written_again(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        stream = spool.open_stream
    flipped = f"{stream[:-1]}{'0' if stream[-1] != '0' else '1'}"
    with closing(apsw.Connection(str(tmp_path / "a"))) as connection:
        connection.execute("UPDATE stream_copies SET stream = ?", (flipped,))
    (finding,) = verify(tmp_path / "a")
    assert finding.startswith("copies of stream names: 2 ")
    open_spool(tmp_path / "a").close()
    assert verify(tmp_path / "a") == []


def test_a_reading_that_changed_and_has_to_be_moved_has_its_number_declared(tmp_path: Path) -> None:
    """A stream is given up for a new one: what cannot be moved is missing under no number of it."""
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 6))
        spool._disk.connection.execute("UPDATE readings SET payload = '[9004.25,4]' WHERE position IN (2, 6)")
        moved = spool.fork("bound_to_other_device", move=True)
    sent = send_all(tmp_path / "a", settable_clock())
    assert sent.given_up == {(moved, 2), (moved, 6)}
    assert [n for stream, n in sent.readings if stream == moved] == [1, 3, 4, 5, 7]


def test_the_mark_follows_what_is_moved_to_a_new_stream(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 6))
        moved = spool.fork("bound_to_other_device", move=True)
        assert read_mark(tmp_path / "a") == Extent(moved, 6)
        spool.acknowledge(moved, 6, again=[(2, 3)])
        assert read_mark(tmp_path / "a") == Extent(moved, 8)


def test_a_file_of_another_program_under_the_marks_name_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / f"a{SUFFIX}").write_text("another program's")
    with open_spool(tmp_path / "a") as spool:
        assert spool.append(readings(1, 3)) == range(1, 4)
    assert (tmp_path / f"a{SUFFIX}").read_text() == "another program's"


def main() -> None:
    """Try many changes and say how they ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--changes", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    with memory_folder() as folder:
        trials = Trials(folder, random.Random(options.seed))
        trials.run(options.changes)
    print(json.dumps({"changes": options.changes, "seed": options.seed} | trials.outcomes))  # noqa: T201


if __name__ == "__main__":
    main()
