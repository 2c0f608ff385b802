"""The main job on measured data: recorded lives go through real gateways, a poor link and a real server."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest

from cleanside.gateway.wire import parse_instant
from tests.support.bench_data import run_file, run_rows
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import readings_of
from tests.support.link import Link
from tests.support.serving import ServerProcess

START = "2026-06-01T06:00:00Z"
LIVES = (6, 30, 55, 80)  # one of each dust feed level of the bench
KILLS = 3
PACE = 15  # the recordings are minutes long; the kills have to fall in the middle
LAST_KILL = 0.6  # of a recording: what is left of it then lasts seconds, on a busy machine too


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.mark.data
def test_recorded_lives_arrive_row_for_row_through_cuts_and_kills(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess], stack: ExitStack
) -> None:
    """
    Four measured lives of the open test bench (Mauthe, Braig, Zeiler, ESREL 2022; 10 Hz) are replayed.

    On the way the link is cut twice, replies are lost, the server is killed once and each gateway is killed
    with SIGKILL three times. What the server then holds equals each file: every row, once, in order.
    """
    devices = [f"bench-{number:03}" for number in LIVES]
    server = start_server(sqlite_database_url, devices=devices)
    register(server, devices)
    link = stack.enter_context(Link(server.port))
    gateways = [
        GatewayProcess(
            tmp_path,
            device=device,
            key=server.tokens["device"],
            server=link.url,
            source={
                "use": "csv",
                "path": str(run_file(number)),
                "columns": {"Differenzdruck": "restriction Pa"},
                "start": START,
                "elapsed_column": "Zeit",
                "uncertainty_s": 0.05,
                "pace": PACE,
            },
        )
        for number, device in zip(LIVES, devices, strict=True)
    ]
    for gateway in gateways:
        stack.callback(gateway.close)
    live_through_faults(gateways, link, server)
    for number, gateway in zip(LIVES, gateways, strict=True):
        expected = [
            (seq, parse_instant(START).us + round(elapsed_s * 1e6), pa)
            for seq, (elapsed_s, pa) in enumerate(run_rows(number), 1)
        ]
        assert readings_of(sqlite_database_url, gateway.device) == expected
        assert gateway.released() == len(expected)


def register(server: ServerProcess, devices: list[str]) -> None:
    with server.client("admin") as client:
        for device in devices:
            assert client.post("/v1/machines", json={"machine": device}).status_code == 200
            assert client.post("/v1/devices", json={"device": device, "machine": device}).status_code == 200


def live_through_faults(gateways: list[GatewayProcess], link: Link, server: ServerProcess) -> None:
    link.cut()
    for gateway in gateways:
        gateway.start()
    with ThreadPoolExecutor(len(gateways)) as pool:
        kills = [
            pool.submit(kill_on_the_way, gateway, number)
            for gateway, number in zip(gateways, LIVES, strict=True)
        ]
        wait_until(lambda: min(g.appended() for g in gateways) > 150, "all have a backlog")
        link.restore()
        link.lose_replies(3)
        wait_until(lambda: link.replies_lost == 3, "replies are lost")
        link.cut()
        server.kill()
        server.start()
        link.restore()
        for done in kills:
            assert done.result() == KILLS
    for gateway in gateways:
        assert gateway.wait() == 0, gateway.log()


def kill_on_the_way(gateway: GatewayProcess, number: int) -> int:
    """Kill the gateway at three places of the recording, each time while rows are still to come."""
    total = len(run_rows(number))
    places = sorted(random.Random(number).sample(range(total // 10, int(total * LAST_KILL)), KILLS))
    for place in places:
        wait_until(lambda least=place: gateway.appended() >= least, f"{place} rows are appended")  # type: ignore[misc]
        assert gateway.appended() < total, "the recording was over before the kill"
        gateway.kill()
        gateway.start()
    return len(places)
