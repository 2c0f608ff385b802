"""A disk that is full or cannot be written: told, bridged in memory, over by itself; real processes too."""

from __future__ import annotations

import json
import resource
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import GatewayError, SpoolFull, SpoolUnavailable
from cleanside.gateway.spool.file import open_to_read
from tests.support.coded import refused
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.unit.gateway.helpers import numbers, open_spool, readings
from tests.unit.gateway.simulated_disk import Disk

NO_LIMIT = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


@pytest.mark.parametrize(
    ("met", "raised", "code"),
    [
        (apsw.ReadOnlyError, SpoolUnavailable, "disk_refuses"),
        (apsw.IOError, SpoolUnavailable, "disk_refuses"),
        (apsw.FullError, SpoolFull, "disk_full"),
    ],
)
def test_an_append_says_what_is_wrong_with_the_disk_and_works_again_when_it_does(
    tmp_path: Path, met: type[apsw.Error], raised: type[GatewayError], code: str
) -> None:
    disk = Disk()
    with open_spool(tmp_path / "a", vfs=disk.vfs) as spool:
        spool.append(readings(1, 1))

        def fault(_: int, what: str) -> None:
            raise met(f"{what} failed")

        disk.fault = fault
        for number in (2, 3):
            with refused(raised, code):
                spool.append(readings(number, number))
        assert numbers(spool.peek()) == [1], "what is on disk can be sent meanwhile"
        disk.fault = lambda _number, _what: None
        assert spool.append(readings(4, 4)) == range(2, 3)
        assert numbers(spool.peek()) == [1, 4]
    disk.unregister()


def test_a_gateway_whose_disk_is_full_keeps_what_it_is_given_and_writes_it_when_there_is_room(
    tmp_path: Path,
) -> None:
    """A real process under a real limit of the kernel: no file may grow beyond it, as on a full disk."""
    made = GatewayProcess(tmp_path, device="grader-07-intake", key="k", server="http://127.0.0.1:9")
    with closing(made) as gateway:
        gateway.start()
        gateway.write({"restriction": 1.0})
        wait_until(lambda: held(gateway.spool_path) == [1.0], "the first reading on disk")
        written = [path for path in tmp_path.glob("*.spool*") if path.suffix != ".reserve"]
        size = max(path.stat().st_size for path in written)
        resource.prlimit(gateway.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        for number in range(2, 61):
            gateway.write({"restriction": float(number)})
        wait_until(lambda: "gateway.append_failed" in gateway.log(), "a word about the disk")
        assert len(held(gateway.spool_path)) < 60
        resource.prlimit(gateway.pid, resource.RLIMIT_FSIZE, NO_LIMIT)
        gateway.write({"restriction": 61.0})
        expected = [float(number) for number in range(1, 62)]
        wait_until(lambda: held(gateway.spool_path) == expected, "all of them on disk, in order")
        gateway.stop()
    assert verify(gateway.spool_path) == []


def held(path: Path) -> list[float]:
    """The readings in the file, read beside the gateway."""
    if not path.exists():
        return []
    try:
        connection = open_to_read(path)
    except (GatewayError, apsw.Error):  # it is only being made
        return []
    try:
        rows = connection.execute("SELECT payload FROM readings ORDER BY position").fetchall()
        return [json.loads(str(payload))[0] for (payload,) in rows]
    finally:
        connection.close()
