"""The benchmarks of the server run, at sizes that say nothing of its speed, and count what they claim."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from tests.benchmark import (
    bench_analysis,
    bench_budget,
    bench_growth,
    bench_herd,
    bench_housing_memory,
    bench_ingest,
    bench_large,
    bench_other_fleets,
    bench_read_back,
    bench_retention,
    bench_single,
    bench_sizing,
    bench_visit_plan,
    bench_workers,
)
from tests.benchmark.bench_soak import grown, slope
from tests.benchmark.telling_server import PARTS, MappedFile, mapped_files, of_libraries


def last_line(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """What the benchmark says at its end."""
    found: dict[str, Any] = json.loads(capsys.readouterr().out.splitlines()[-1])
    return found


@pytest.mark.parametrize(
    "more",
    [("--layout", "columns"), ("--layout", "readings", "--against", "plain")],
    ids=["columns beside the floor", "readings beside the tutorial stack"],
)
def test_ingest_is_measured_beside_a_floor(more: tuple[str, ...], tmp_path: Any) -> None:
    out = tmp_path / "found.json"
    bench_ingest.main(
        ["sqlite", "--rounds", "1", "--batches", "16", "--rows", "20", "--json", str(out), *more]
    )
    found = json.loads(out.read_text())
    assert found.keys() == {"blocks", "rows"}
    for form in found.values():
        assert form["ratio"] == pytest.approx(form["rows_per_s"] / form["floor_rows_per_s"])
        assert form["rounds"] == 1


def test_the_budget_of_a_batch_says_every_stage(tmp_path: Any) -> None:
    out = tmp_path / "found.json"
    bench_budget.main(["--batches", "24", "--rows", "20", "--rounds", "1", "--json", str(out)])
    found = json.loads(out.read_text())
    assert found["servers"].keys() == bench_budget.SERVERS.keys()
    for ours_us, bare_us in found["stages"].values():
        assert min(ours_us, bare_us) > 0


def test_single_readings_are_measured_beside_the_route_without_a_store(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench_single.main(["sqlite", "--clients", "4", "--requests", "40", "--rounds", "1"])
    found = last_line(capsys)
    for form in found.values():
        assert form["ratio"] == pytest.approx(form["requests_per_s"] / form["without_store_per_s"], abs=0.01)
        assert form["durable_ms"]["p50"] <= form["durable_ms"]["p99"]
    assert found["rows"]["merged_bytes"] == found["rows"]["disk_bytes"]
    assert found["blocks"]["merged_bytes"] < found["blocks"]["disk_bytes"]


def test_reading_back_is_measured_in_each_form(capsys: pytest.CaptureFixture[str]) -> None:
    bench_read_back.main(["sqlite", "--days", "5", "--step-s", "120", "--rounds", "1"])
    found = last_line(capsys)
    assert found.keys() == {"page_as_json", "page", "year_as_json", "year", "recomputed"}
    assert all(ms[way] > 0 for ms in found.values() for way in ("rows", "blocks", "merged"))


def test_what_a_reading_costs_is_measured_and_fleets_follow(capsys: pytest.CaptureFixture[str]) -> None:
    bench_sizing.main(["sqlite", "--batches", "16"])
    said = capsys.readouterr().out.splitlines()
    found = json.loads(said[-1])
    assert min(found.values()) > 0
    assert found["a_core_takes"] == pytest.approx(1e6 / found["processor_us"])
    assert sum(line.startswith("| 1") for line in said) == len(bench_sizing.FLEETS)


def test_what_judging_works_out_of_a_housing_is_more_than_its_hours(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench_housing_memory.main(["--machines", "2", "--days", "30"])
    found = last_line(capsys)
    assert found["judged"] > found["hours"] > 0
    assert found["study"] > 0


def test_memory_is_told_by_part_and_kind_of_request(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_growth.main(["mixed", "--requests", "1200", "--machines", "4"]) == 0
    found = last_line(capsys)
    assert found.keys() == PARTS.keys()
    last = {name: one["last"] for name, one in found.items()}
    of_files = last["libraries_mib"] + last["files_mib"]
    resident = of_files + last["sqlite_mib"] + last["heap_mib"] + last["holes_mib"] + last["python_mib"]
    assert resident == pytest.approx(last["memory_mib"], rel=0.02)  # each is read a moment after the other
    assert min(last.values()) > 0
    assert last["pages_mib"] + last["statements_mib"] < last["sqlite_mib"]


SMAPS = """\
5581a000-5581b000 r--p 00000000 fe:00 131 /usr/lib/libnumbers.so.1
Size:                  4 kB
Rss:                   4 kB
Anonymous:             0 kB
VmFlags: rd mr mw me
5581b000-5583b000 r-xp 00001000 fe:00 131 /usr/lib/libnumbers.so.1
Size:               1020 kB
Rss:                 508 kB
Anonymous:             0 kB
5583b000-5584b000 rw-p 00021000 fe:00 131 /usr/lib/libnumbers.so.1
Size:               1024 kB
Rss:                 700 kB
Anonymous:           188 kB
5600a000-5700a000 rw-p 00000000 00:00 0 [heap]
Size:              16384 kB
Rss:               16384 kB
Anonymous:         16384 kB
7f000000-7f008000 rw-s 00000000 fe:00 977 /srv/of a shop.db-shm
Size:                 32 kB
Rss:                  32 kB
Anonymous:             0 kB
"""  # as proc(5) shows it, without lines that are not read


def test_mapped_files_are_told_apart_and_changed_pages_are_no_files() -> None:
    mapped = mapped_files(SMAPS)
    library = MappedFile(resident_mib=1.0, mapped_mib=2.0, is_code=True)
    log_index = MappedFile(resident_mib=1 / 32, mapped_mib=1 / 32, is_code=False)
    assert mapped == {"/usr/lib/libnumbers.so.1": library, "/srv/of a shop.db-shm": log_index}
    assert of_libraries(mapped) == {"/usr/lib/libnumbers.so.1": library}
    smaller = {"/usr/lib/libnumbers.so.1": library._replace(resident_mib=0.25)}
    assert grown(smaller, mapped) == {
        "/usr/lib/libnumbers.so.1": 0.75,
        "/srv/of a shop.db-shm": 0.03,
    }
    assert grown(mapped, mapped) == {}


def test_the_error_of_a_slope_holds_for_samples_that_are_like_their_neighbours() -> None:
    """A walk without a trend: its slope lies within three of its errors in most walks, not in a few."""
    at_s = [5.0 * place for place in range(400)]
    within = 0
    for seed in range(50):
        noise = np.random.default_rng(seed).normal(size=400)
        alike = np.convolve(noise, 0.9 ** np.arange(60), mode="full")[:400]  # each 0.9 of the one before
        by_hour, error = slope(at_s, alike.tolist())
        within += abs(by_hour) < 3 * error
    assert within >= 45
    assert slope(at_s, [3 + 2 * s / 3600 for s in at_s]) == pytest.approx((2.0, 0.0), abs=1e-6)


def test_a_large_table_is_measured_beside_an_empty_one(capsys: pytest.CaptureFixture[str]) -> None:
    bench_large.main(["sqlite", "--rows", "2000", "--streams", "20", "--pairs", "1", "--batches", "16"])
    found = last_line(capsys)
    assert found["rows"] == 2_000
    assert found["cost_ratio"] > 0


@pytest.mark.parametrize(
    ("arguments", "shown"),
    [
        (["recompute", "--days", "2", "--step-s", "60"], "2,880 readings; floor"),
        (["incremental", "--days", "3", "--rounds", "1"], "a batch of 500 readings at 3 days of history"),
        (["page", "--days", "3", "--rounds", "1"], "GET restriction of 3 days"),
    ],
    ids=["recompute", "incremental", "page"],
)
def test_the_analysis_is_measured_beside_a_floor(
    capsys: pytest.CaptureFixture[str], arguments: list[str], shown: str
) -> None:
    bench_analysis.main(arguments)
    said = capsys.readouterr().out
    assert said.startswith(shown)
    assert "floor" in said.splitlines()[-1] or "floor" in said.splitlines()[-2]


@pytest.mark.postgres
def test_dropping_a_month_is_measured_beside_deleting_it(capsys: pytest.CaptureFixture[str]) -> None:
    bench_retention.main(
        ["--rows", "2400", "--months", "3", "--streams", "4", "--pairs", "1", "--batches", "4"]
    )
    said = capsys.readouterr().out
    assert "the oldest of 3 months, 800 rows, out of" in said
    assert all(f"  {table}: seconds" in said for table in ("plain", "parted"))


@pytest.mark.postgres
def test_a_backlog_is_analysed_by_one_and_by_two_processes(capsys: pytest.CaptureFixture[str]) -> None:
    small = ["--machines", "3", "--days", "2", "--step-s", "600", "--workers", "1,2", "--rounds", "1"]
    assert bench_workers.main(small) == 0
    found = last_line(capsys)
    assert found["hours"] == 3 * 48
    assert found["workers"].keys() == {"1", "2"}


@pytest.mark.parametrize("more", [(), ("--real",)], ids=["requests made before", "real gateways"])
def test_a_herd_comes_back_and_nothing_is_missing(
    capsys: pytest.CaptureFixture[str], more: Sequence[str]
) -> None:
    small = ["--gateways", "12", "--hours", "0.2", "--reconnect-s", "0.2", "--live", "2", "--alone-s", "0.5"]
    assert bench_herd.main(["sqlite", *small, *more]) == 0
    found = last_line(capsys)
    assert found["readings"] == 12 * 72
    assert (found["missing"], found["left_waiting"], found["out_of_balance"]) == (0, 0, 0)
    assert found["gateways_done"] == 12
    assert found["answers"]["200"] >= 12
    assert found["live_readings"] >= 2


def test_a_made_fleet_is_watched_and_scored_again_from_its_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Any
) -> None:
    out = tmp_path / "said.json"
    small = ["--machines", "2", "--days", "14", "--interval-s", "600"]
    assert bench_other_fleets.main(["plateau", *small, "--out", str(out)]) == 0
    table = capsys.readouterr().out
    assert bench_other_fleets.main(["--score", str(out)]) == 0
    assert capsys.readouterr().out == table
    assert len(json.loads(out.read_text())["observations"]) == 2 * 14


def test_the_plan_of_visits_is_compared_with_ways_without_it(capsys: pytest.CaptureFixture[str]) -> None:
    """On both generators, with and without ways to sites; a machine breaks the plan; a plan is timed."""
    bench_visit_plan.main(["--seeds", "2", "--machines", "4", "--days", "45", "--timing", "20"])
    begins = [line.partition(" ")[0] for line in capsys.readouterr().out.splitlines()]
    assert {begins.count(way) for way in ("limit", "hours", "service", "plan")} == {4}
    assert (begins.count("dust"), begins.count("20")) == (3, 2)
