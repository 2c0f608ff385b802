"""What the log of a server says when it has to stop, or to load its certificate again."""

from __future__ import annotations

import os
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path

import trustme

from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import wait_until
from tests.support.serving import as_process


def test_a_stop_and_an_ended_certificate_leave_a_line_in_the_log(tmp_path: Path) -> None:
    authority, ended = trustme.CA(), datetime.now(UTC) - timedelta(hours=1)
    file = tmp_path / "server.pem"
    authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(str(file))
    with as_process(migrated_sqlite(tmp_path), "--tls-certificate", str(file)) as server:
        assert "ingest.certificate_ended" not in server.log()
        old = authority.issue_cert("127.0.0.1", not_before=ended - timedelta(days=9), not_after=ended)
        old.private_key_and_cert_chain_pem.write_to_path(str(file))
        os.kill(server.pid, signal.SIGHUP)
        wait_until(lambda: "ingest.certificate_ended" in server.log(), "the end is said at a reload")
        assert "ingest.stopped" not in server.log()
        assert server.stop() == 0
        [line] = [line for line in server.log().splitlines() if "ingest.stopped" in line]
    assert "by=SIGTERM" in line
