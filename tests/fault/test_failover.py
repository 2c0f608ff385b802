"""The primary is killed under load and a standby promoted; server processes are restarted under load."""

from __future__ import annotations

import pytest

from tests.fault.fail_over import fail_over, restart

#: three servers, or processes, start beside each other on a busy machine
pytestmark = [pytest.mark.postgres, pytest.mark.timeout(400)]


def test_a_primary_that_is_killed_loses_nothing_that_was_acknowledged_and_stores_nothing_twice() -> None:
    """`fail_over` checks what is there; clients and server processes go on by themselves."""
    found = fail_over(2)
    assert len(found.longest_s) == 2
    assert found.gateway.most_waiting > 0
    assert sum(sender.resent for sender in found.senders) > 0


def test_a_restart_of_every_server_process_under_load_loses_nothing_and_stores_nothing_twice() -> None:
    found = restart(1)
    assert sum(sender.resent for sender in found.senders) > 0
