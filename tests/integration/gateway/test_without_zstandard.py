"""A gateway without the package zstandard, as on 32-bit ARM: by a bundle, and by the link."""

from __future__ import annotations

import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

from cleanside.gateway import Spool, SystemClock
from tests.invariants.test_bundle_and_link import bring, operators_key, serve
from tests.support.appender import reading
from tests.support.held import stored_count
from tests.support.serving import DEVICE

HIDDEN = (
    "import sys; sys.modules['zstandard'] = None\nfrom cleanside.gateway.cli import main\nsys.exit(main())"
)


def gateway(*words: str) -> None:
    """Run the command without the package; its source has nothing new."""
    command = [sys.executable, "-c", HIDDEN, *words]
    done = subprocess.run(command, input="", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def append(spool: Path, first: int, last: int) -> None:
    opened = Spool(spool, device=DEVICE, clock=SystemClock())
    opened.append([reading(n) for n in range(first, last + 1)])
    opened.close()


def test_it_delivers_by_bundle_and_by_link(tmp_path: Path) -> None:
    spool, bundle, key = tmp_path / "spool", tmp_path / "carried.bundle", tmp_path / "device.key"
    with ExitStack() as stack:
        server = serve(tmp_path, stack)
        key.touch(mode=0o600)
        key.write_text(server.tokens["device"])
        flags = ["--device", DEVICE, "--spool-path", str(spool), "--uplink-key-file", str(key)]
        append(spool, 1, 6_000)
        gateway("export", *flags, "--out", str(bundle))
        append(spool, 6_001, 6_100)
        gateway("export", *flags, "--out", str(bundle))  # it goes on behind the blocks that it reads
        code, _ = bring(server, operators_key(tmp_path, server), bundle)
        assert (code, stored_count(server.database_url)) == (0, 6_100)
        append(spool, 6_101, 8_000)
        flags += ["--run-exit-when-done", "--source", "ndjson units.restriction=Pa"]
        gateway("run", *flags, "--uplink-server", server.url)
        assert stored_count(server.database_url) == 8_000
        with server.client("admin") as http:
            (stream,) = http.get("/v1/account").json()["streams"]
        assert stream["balances"]
