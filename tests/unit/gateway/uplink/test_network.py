"""A link that comes back is noticed: from the kernel's files, and by reaching for the server."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
from itertools import pairwise
from pathlib import Path

import pytest

from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.decision import LinkState
from cleanside.gateway.uplink.fakes import FakeServer, problem
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.network import SystemNetwork, ways
from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Outcome, Reply, Request
from tests.support.gatewaying import wait_until
from tests.unit.gateway.helpers import open_spool, readings, settable_clock
from tests.unit.gateway.uplink.test_transport import Site

ROUTES = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\tMTU\tWindow\tIRTT\n"
DEFAULT = "wwan0\t00000000\t0101A8C0\t0003\t0\t{use}\t700\t00000000\t0\t0\t0\n"
ADDRESS = "20010db8000000000000000000000001 03 40 00 {flags} wwan0\n"


def machine(root: Path, *, routes: str = "", addresses: str = "", up: bool = False) -> None:
    """The kernel's files as proc_net(5) has them."""
    (root / "proc/net").mkdir(parents=True, exist_ok=True)
    (root / "sys/class/net/wwan0").mkdir(parents=True, exist_ok=True)
    (root / "proc/net/route").write_text(ROUTES + routes)
    (root / "proc/net/if_inet6").write_text(addresses)
    (root / "sys/class/net/wwan0/operstate").write_text("up\n" if up else "down\n")


@pytest.fixture
def network(tmp_path: Path) -> SystemNetwork:
    machine(tmp_path)
    return SystemNetwork("http://127.0.0.1:9", now_us=lambda: 0, root=tmp_path)


def test_a_route_an_address_or_an_interface_that_appears_is_a_way_that_came_back(
    network: SystemNetwork, tmp_path: Path
) -> None:
    assert not network.came_back()
    machine(tmp_path, up=True)
    assert network.came_back()
    machine(tmp_path, up=True, routes=DEFAULT.format(use=0))
    assert network.came_back()
    machine(tmp_path, up=True, routes=DEFAULT.format(use=0), addresses=ADDRESS.format(flags="80"))
    assert network.came_back()
    assert not network.came_back()


def test_what_goes_or_is_only_counted_or_not_fit_for_use_yet_is_none(
    network: SystemNetwork, tmp_path: Path
) -> None:
    machine(tmp_path, up=True, routes=DEFAULT.format(use=0))
    assert network.came_back()
    machine(tmp_path, up=True, routes=DEFAULT.format(use=17), addresses=ADDRESS.format(flags="c0"))
    assert not network.came_back(), "a counter, and an address that is tentative"
    machine(tmp_path)
    assert not network.came_back(), "all is gone"


def test_a_machine_without_such_files_has_no_news(tmp_path: Path) -> None:
    assert ways(tmp_path) == frozenset()
    assert not SystemNetwork("http://127.0.0.1:9", now_us=lambda: 0, root=tmp_path).came_back()


REAL = """
import fcntl, socket, struct
from pathlib import Path
from cleanside.gateway.uplink.network import SystemNetwork

network = SystemNetwork("http://127.0.0.1:9", now_us=lambda: 0)
assert not network.came_back()
with socket.socket() as way:  # netdevice(7): SIOCSIFFLAGS with IFF_UP
    fcntl.ioctl(way, 0x8914, struct.pack("16sH14x", b"lo", 1))
print(network.came_back(), network.came_back())
"""


def has_namespaces() -> bool:
    return subprocess.run(["unshare", "-rn", "true"], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not has_namespaces(), reason="no network namespaces of one's own here")
def test_an_interface_that_really_comes_up_is_noticed() -> None:
    ended = subprocess.run(
        ["unshare", "-rn", sys.executable, "-c", REAL], capture_output=True, text=True, check=False
    )
    assert ended.stdout.split() == ["True", "False"], ended.stderr


def test_a_server_that_can_be_reached_again_is_noticed_once(tmp_path: Path) -> None:
    """A modem in a box of its own: nothing changes on this machine."""
    now_us = 0
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    network = SystemNetwork(
        f"http://127.0.0.1:{port}", now_us=lambda: now_us, reach_every_s=15, root=tmp_path
    )
    now_us += 16_000_000
    assert not network.came_back()
    with socket.create_server(("127.0.0.1", port)):
        assert not network.came_back(), "not looked at each time"
        now_us += 16_000_000
        assert network.came_back()
        now_us += 16_000_000
        assert not network.came_back(), "it was reached before: whatever fails, it is not the way"


# ------------------------------------------------------------ what the uplink makes of it


class Changes:
    """A network with a way that comes back at the n-th look."""

    def __init__(self, *looks: int) -> None:
        self.looks = 0
        self._at = looks

    def came_back(self) -> bool:
        self.looks += 1
        return self.looks in self._at


class Bench:
    """An uplink far into its back-off, with what it did and when."""

    def __init__(self, path: Path, network: Changes, outcomes: list[Outcome]) -> None:
        self.clock = settable_clock()
        self.stop = threading.Event()
        self.tried_s: list[float] = []
        self._outcomes = iter(outcomes)
        self._server = FakeServer(now_us=self.clock.true_us)
        self._began_us = self.clock.since_boot_us()
        self.spool = open_spool(path, self.clock)
        self.spool.append(readings(1, 5))
        self.uplink = Uplink(
            self.spool, self, clock=self.clock, random=lambda: 1.0, log=lambda *_, **__: None, network=network
        )
        self.uplink.state = LinkState(failures=20)

    def send(self, request: Request) -> Outcome:
        self.tried_s.append((self.clock.since_boot_us() - self._began_us) / 1e6)
        outcome = next(self._outcomes, None)
        if outcome is None:
            self.stop.set()
        return outcome or self._server.send(request)

    def close(self) -> None:
        """Nothing to close."""

    def run(self) -> list[float]:
        """When it tried [s]."""
        self.uplink.run(self.stop)
        self.spool.close()
        return self.tried_s


def test_a_way_that_comes_back_is_used_within_seconds(tmp_path: Path) -> None:
    first, second = Bench(tmp_path / "a", Changes(5), [NoAnswer("cut")]).run()
    assert second - first <= 15, "five looks, and a spread"
    first, second = Bench(tmp_path / "b", Changes(), [NoAnswer("cut")]).run()
    assert second - first == pytest.approx(300), "without one the whole wait"


def test_after_an_early_try_that_fails_waits_are_short_and_grow_again(tmp_path: Path) -> None:
    tried_s = Bench(tmp_path / "a", Changes(1), [NoAnswer("cut")] * 5).run()
    waits_s = [after - before for before, after in pairwise(tried_s)]
    assert waits_s[0] <= 5
    assert waits_s[1:] == pytest.approx([2, 4, 8, 16])


def test_a_link_that_flaps_is_no_reason_to_hammer(tmp_path: Path) -> None:
    tried_s = Bench(tmp_path / "a", Changes(*range(1, 500)), [NoAnswer("cut")] * 30).run()
    assert len([at for at in tried_s if at <= 60]) <= 12


def busy() -> Reply:
    reply = problem(503, "store_unavailable")
    return Reply(status=503, headers={**reply.headers, "retry-after": "120"}, body=reply.body)


@pytest.mark.parametrize("outcome", [busy(), problem(503, "store_unavailable"), problem(401, "key_unknown")])
def test_a_server_that_asked_for_patience_gets_it(tmp_path: Path, outcome: Reply) -> None:
    network = Changes(*range(1, 500))
    first, second = Bench(tmp_path / "a", network, [outcome]).run()
    assert second - first >= 120
    assert network.looks == 0


def test_a_server_that_comes_back_is_found_by_a_real_gateway_in_its_longest_wait(tmp_path: Path) -> None:
    clock, stop = SystemClock(), threading.Event()
    site = Site()
    port = site.server.server_port
    site.close()
    transport = HttpTransport(site.url, key=lambda: "k0.s", timeout_s=5)
    network = SystemNetwork(site.url, now_us=clock.since_boot_us, reach_every_s=0.1, root=tmp_path)
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        uplink = Uplink(
            spool, transport, clock=clock, random=lambda: 1.0, log=lambda *_, **__: None, network=network
        )
        uplink.state = LinkState(failures=20)
        thread = threading.Thread(target=uplink.run, args=(stop,))
        thread.start()
        try:
            wait_until(lambda: (uplink.view.told()["next_try_s"] or 0) > 200, "it waits five minutes")
            wait_until(lambda: not network._is_reached, "the server was looked for")
            again = Site(port=port)
            try:
                wait_until(lambda: len(again.heads) > 0, "it asks again", deadline_s=60)
            finally:
                stop.set()
                uplink.wake.set()
                thread.join(20)
                again.close()
        finally:
            stop.set()
            uplink.wake.set()
            thread.join(20)
            transport.close()
