"""A whole gateway keeps its key to itself: a real process, and what it leaves behind."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.support.gatewaying import wait_until
from tests.unit.gateway.helpers import DEVICE
from tests.unit.gateway.test_private import KEY
from tests.unit.gateway.uplink.test_transport import Site, answer


@pytest.mark.parametrize("renewed", [f"{KEY}\nsecond line\n", f"{KEY} {KEY}", "", f"{KEY}\0"])
def test_no_key_reaches_log_status_or_spool(tmp_path: Path, renewed: str) -> None:
    """A server that repeats what it was sent, and a key file that somebody edits while the gateway runs."""
    site = Site()
    told = threading.Event()

    def repeat(handler: object) -> None:
        sent = handler.headers["Authorization"]  # type: ignore[attr-defined]
        body = f'{{"code": "access_denied", "detail": "you sent {sent}"}}'.encode()
        answer(401, body, Content_Type="application/problem+json")(handler)  # type: ignore[arg-type]
        told.set()

    site.behaviour = repeat
    (tmp_path / "device.key").write_text(KEY)
    flags = ["--device", DEVICE, "--spool-path", str(tmp_path / "a")]
    more = ["--uplink-server", site.url, "--uplink-key-file", str(tmp_path / "device.key")]
    source = ["--source", "ndjson units.restriction=kPa"]
    command = [sys.executable, "-m", "cleanside.gateway"]
    try:
        for content in (KEY, renewed):
            told.clear()
            (tmp_path / "device.key").write_text(content)
            with subprocess.Popen(
                [*command, "run", *flags, *more, *source],
                stdin=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            ) as gateway:
                try:
                    assert gateway.stdin is not None
                    wait_until(lambda p=gateway: told.is_set() or p.poll() is not None, "an answer or an end")  # type: ignore[misc]
                    gateway.terminate()
                    said = gateway.communicate(timeout=30)[1]
                finally:
                    gateway.kill()
            assert KEY[:12] not in said, said
            assert told.is_set() or "device.key" in said
    finally:
        site.close()
    status = subprocess.run([*command, "status", *flags], capture_output=True, text=True, check=False)
    assert KEY[:12] not in status.stdout + status.stderr
    for path in tmp_path.glob("a*"):
        assert KEY[:12].encode() not in path.read_bytes(), path
