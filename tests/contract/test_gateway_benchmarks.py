"""Each benchmark of the gateway runs, with sizes that take a moment; what it measures is judged elsewhere."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

#: benchmark -> arguments that make it small, and what it has to say then
SMALL = {
    "bench_spool_append": ("--one 20 --grouped 2 --pairs 2", r"append, 100 a commit .* of the floor"),
    "bench_spool_queues": ("--readings 20 --pairs 2", r"get and acknowledge: litequeue .* times"),
    "bench_spool_backlog": ("--readings 4000 --calls 2 --pairs 2", r"memory while it drains .* MiB"),
    "bench_spool_slow_disk": ("--sources 3 --seconds 0.5", r"3 sources, .* none of 15 lost"),
    "bench_uplink_drain": ("--readings 2000 --batch 500 --turns 1", r"drain over loopback HTTP: [\d,]+"),
    "bench_uplink_wire": ("--readings 1000", r"sent by the gateway +\d"),
    "bench_gateway_cpu": ("--seconds 1 --every-s 0.1 --linger-s 0.2", r"% of a core"),
}


@pytest.mark.parametrize("name", SMALL)
def test_a_benchmark_of_the_gateway_runs(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    arguments, says = SMALL[name]
    import_module(f"tests.benchmark.{name}").main(arguments.split())
    assert re.search(says, capsys.readouterr().out)


def test_every_benchmark_of_the_gateway_is_run_small_here_and_listed_for_people() -> None:
    named = {path.stem for path in (ROOT / "tests" / "benchmark").glob("bench_*.py")}
    ours = {name for name in named if name.startswith(("bench_spool", "bench_uplink", "bench_gateway"))}
    assert ours == SMALL.keys()
    listed = (ROOT / "tests" / "README.md").read_text()
    assert {name for name in ours if f"tests.benchmark.{name}`" not in listed} == set()
