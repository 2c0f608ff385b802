"""
A thundering herd: gateways with a backlog of hours all find their link again within seconds.

    python -m tests.benchmark.bench_herd [sqlite|postgres] [--gateways 2000] [--hours 8] [--interval-s 10]

Real servers, durable commits (fsync on), a key, a machine and a housing for each gateway. Beside them
`--live` other machines post one reading a second each, as they do all day; how long each of those takes to
its durable answer, with every refusal and its Retry-After, is what their p99 says. Afterwards every reading
is counted, every account must balance, and the server's largest memory is reported. Exits non-zero where a
reading is missing.

Inside the clock, from the first gateway that finds its link to the last one's last acknowledgement: every
connection, the question for marks, every batch with its refusals and the waits they ask for, and the live
readings. Gateways, servers and database share one machine here and not elsewhere. So the requests are made
before, by real gateways from real spool files, and posted byte for byte by a light client
(`tests.benchmark.herd_requests`). With `--real` the real uplinks send from their spools meanwhile, many in a
process (`tests.benchmark.herd_gateways`): then their packing, disk and HTTP library are inside the clock too,
and take more processor time than the server. The processor time of all three is reported: by itself a server
drains the herd in no less than its own.

Data: the recording "gravel shift" of bench_ingest, another stretch of it for each gateway.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cleanside.gateway.wire import instant_text
from cleanside.ingest.owners import access
from cleanside.ingest.store import account, database, fleet, keys
from tests.benchmark.bench_ingest import SEED
from tests.support.databases import Postgres, migrate, opened
from tests.support.held import stored_count
from tests.support.serving import ServerProcess, make_keys

LIVE_EVERY_S = 1.0


def make_fleet(url: str, devices: Sequence[str]) -> dict[str, str]:
    """A key, a machine and a housing for each device, with the device on it. Gives device -> token."""
    tokens = {}
    with opened(url) as engine, engine.begin() as connection:
        owner_id = fleet.keep_owner(connection, "plateau", 0)
        for name in devices:
            device = fleet.keep_device(connection, owner_id, name)
            fleet.register(connection, device, 1, None)
            machine = fleet.keep_machine(connection, owner_id, f"of-{name}", "hauler", 0)
            fleet.assign(
                connection, device.id, fleet.keep_housing(connection, machine, "main").id, None, None
            )
            new = access.new_key()
            keys.create(
                connection,
                handle=new.handle,
                secret_hash=new.secret_hash,
                owner_id=owner_id,
                role="device",
                note="",
                devices=[name],
                now_us=0,
            )
            tokens[name] = new.token
    return tokens


# ---------------------------------------------------------------- live readings of other machines


async def live(
    port: int, device: str, token: str, number: int, ends: asyncio.Event
) -> list[tuple[float, float]]:
    """One reading a second until the end. Gives of each when it was measured and how long it took [s]."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    took: list[tuple[float, float]] = []
    seq, next_s = 0, time.monotonic() + number % 20 / 20
    while not ends.is_set():
        await asyncio.sleep(max(0.0, next_s - time.monotonic()))
        seq, began_s = seq + 1, time.monotonic()
        document = {
            "device": device,
            "stream": f"019abc00-7e1a-7c3e-8f01-{number:012d}",
            "units": {"restriction": "kPa", "engine_speed": "r/min"},
            "readings": [{"seq": seq, "at": instant_text(time.time_ns() // 1000), "restriction": 3.05}],
        }
        body = json.dumps(document).encode()
        head = f"POST /v1/readings HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {token}\r\n"
        head += f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        while (wait_s := await _posted(reader, writer, head.encode() + body)) is not None:
            await asyncio.sleep(wait_s)
        took.append((began_s, time.monotonic() - began_s))
        next_s = max(next_s + LIVE_EVERY_S, began_s)
    writer.close()
    return took


async def _posted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, request: bytes) -> float | None:
    """None once it is durable, else after how many seconds to try again."""
    writer.write(request)
    head = (await reader.readuntil(b"\r\n\r\n")).lower()
    await reader.readexactly(int(head.partition(b"content-length: ")[2].partition(b"\r\n")[0]))
    if head.startswith(b"http/1.1 200"):
        return None
    if b"retry-after: " not in head:
        raise RuntimeError(f"a live reading was answered {head[:40]!r}")
    return float(head.partition(b"retry-after: ")[2].partition(b"\r\n")[0])


# ---------------------------------------------------------------- the run


def run(url: str, folder: Path, given: argparse.Namespace) -> dict[str, Any]:
    """Fill, let loose, count."""
    names = [f"herd-{n:05d}" for n in range(given.gateways)]
    live_names = [f"live-{n:03d}" for n in range(given.live)]
    tokens = make_fleet(url, [*names, *live_names])
    rows = int(given.hours * 3600 / given.interval_s)
    servers = [ServerProcess(url, make_keys(url, []))]
    servers += [ServerProcess(url, servers[0].tokens) for _ in range(given.servers - 1)]
    try:
        for server in servers:
            server.start()
        plans = _plans(folder, given, tokens, names, [server.url for server in servers])
        began_s = time.perf_counter()
        for process in [_gateways("fill", plan) for plan in plans]:
            process.communicate()
        print(f"{len(names)} spools of {rows} readings in {time.perf_counter() - began_s:.0f} s", flush=True)
        before_s = sum(_processor_s(server.pid) for server in servers)
        database_before_s = _database_s(folder)
        found, took, herd_s = asyncio.run(_herd(plans, servers, [(n, tokens[n]) for n in live_names], given))
        memory_mb = [_largest_mb(server.pid) for server in servers]
        servers_s = sum(_processor_s(server.pid) for server in servers) - before_s
        database_s = _database_s(folder) - database_before_s
        codes = [server.stop() for server in servers]
    finally:
        for server in servers:
            server.close()
    alone = [s for began, s in took if began < herd_s[0]]
    beside = [s for began, s in took if herd_s[0] <= began <= herd_s[1]]
    return {
        "readings": rows * len(names),
        "drained_s": max(one["all_s"] for one in found),
        "processor_s": {
            "servers": servers_s,
            "database": database_s,
            "gateways": sum(one["processor_s"] for one in found),
        },
        "gateways_done": sum(one["done"] for one in found),
        "left_waiting": sum(one["waiting"] for one in found),
        "missing": rows * len(names) + len(took) - stored_count(url),
        "out_of_balance": _out_of_balance(url),
        "answers": dict(sum((Counter(one["seen"]) for one in found), Counter[str]())),
        "live_alone_ms": _quantiles(alone),
        "live_beside_ms": _quantiles(beside),
        "live_readings": len(took),
        "server_memory_mb": memory_mb,
        "server_exit": codes,
    }


def _plans(
    folder: Path, given: argparse.Namespace, tokens: dict[str, str], names: Sequence[str], urls: Sequence[str]
) -> list[Path]:
    """What each process of gateways is to do, one file a process."""
    common = {
        "readings": int(given.hours * 3600 / given.interval_s),
        "interval_s": given.interval_s,
        "start_us": time.time_ns() // 1000 - int(given.hours * 3600e6),
        "reconnect_s": given.reconnect_s,
        "within_s": given.within_s,
        "prepared": not given.real,
        "servers": list(urls),
    }
    gateways = [{"device": n, "spool": str(folder / f"{n}.spool"), "token": tokens[n]} for n in names]
    plans = []
    for number in range(given.gateway_processes):
        plans.append(folder / f"plan-{number}.json")
        mine = gateways[number :: given.gateway_processes]
        plans[-1].write_text(json.dumps(common | {"gateways": mine, "seed": SEED + number}))
    return plans


async def _herd(
    plans: Sequence[Path],
    servers: Sequence[ServerProcess],
    posters: Sequence[tuple[str, str]],
    given: argparse.Namespace,
) -> tuple[list[dict[str, Any]], list[tuple[float, float]], tuple[float, float]]:
    """The answers of the gateways, the live readings, and from when to when the herd was there."""
    processes = [_gateways("send" if given.real else "post", plan) for plan in plans]
    for process in processes:
        await asyncio.to_thread(_line_of, process)  # ready
    ends = asyncio.Event()
    tasks = [
        asyncio.create_task(live(servers[n % len(servers)].port, device, token, n, ends))
        for n, (device, token) in enumerate(posters)
    ]
    await asyncio.sleep(given.alone_s)
    began_s = time.monotonic()
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    found = [json.loads(await asyncio.to_thread(_line_of, process)) for process in processes]
    herd_s = (began_s, time.monotonic())
    for process in processes:
        await asyncio.to_thread(process.communicate)
    ends.set()
    took = [entry for part in await asyncio.gather(*tasks) for entry in part]
    return found, took, herd_s


def _gateways(what: str, plan: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.benchmark.herd_gateways", what, str(plan)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def _line_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline()


def _processor_s(pid: int) -> float:
    """Processor time that a process has used [s] (Linux, proc(5): utime and stime)."""
    return sum(map(int, _fields_of(pid)[11:13])) / os.sysconf("SC_CLK_TCK")


def _database_s(folder: Path) -> float:
    """Processor time of the PostgreSQL in a folder, its ended processes too [s]; 0 where there is none."""
    lock_file = folder / "postgres" / "postmaster.pid"
    if not lock_file.exists():
        return 0.0
    main = int(lock_file.read_text().split()[0])
    ticks = sum(map(int, _fields_of(main)[13:15]))  # cutime and cstime: of processes that have ended
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal() and (int(entry.name) == main or _parent_of(int(entry.name)) == main):
            ticks += sum(map(int, _fields_of(int(entry.name))[11:13]))
    return ticks / os.sysconf("SC_CLK_TCK")


def _parent_of(pid: int) -> int:
    try:
        return int(_fields_of(pid)[1])
    except (FileNotFoundError, ProcessLookupError):  # it has ended since
        return 0


def _fields_of(pid: int) -> list[str]:
    """What the system says of a process, from its state on (Linux, proc(5), stat)."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()


def _largest_mb(pid: int) -> float:
    """The most memory a process ever held (Linux, proc(5): VmHWM)."""
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("VmHWM"))
    return round(int(line.split()[1]) / 1024, 1)


def _out_of_balance(url: str) -> int:
    engine = database.reading_engine(url)
    with engine.connect() as connection:
        found = sum(not entry.balances for entry in account.accounts(connection))
    engine.dispose()
    return found


def _quantiles(seconds: list[float]) -> dict[str, float]:
    """p50, p99 and the largest, in ms."""
    ranked = sorted(seconds) or [float("nan")]
    named = {"p50": 0.5, "p99": 0.99, "max": 1.0}
    return {n: round(1000 * ranked[min(len(ranked) - 1, int(q * len(ranked)))], 1) for n, q in named.items()}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it, print what was found, and say by the exit code whether anything is missing."""
    parser = argparse.ArgumentParser(description="Many gateways with a backlog come back at once.")
    parser.add_argument("backend", nargs="?", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--gateways", type=int, default=2_000)
    parser.add_argument("--hours", type=float, default=8.0, help="of backlog each [h]")
    parser.add_argument("--interval-s", type=int, default=10, help="between two readings [s]")
    parser.add_argument("--reconnect-s", type=float, default=10.0, help="within which all come back [s]")
    parser.add_argument("--within-s", type=float, default=1_200.0, help="then it is given up [s]")
    parser.add_argument("--live", type=int, default=20, help="other machines that post a reading a second")
    parser.add_argument("--alone-s", type=float, default=3.0, help="the live ones alone, before the herd [s]")
    parser.add_argument("--servers", type=int, default=1, help="server processes, PostgreSQL only")
    parser.add_argument("--real", action="store_true", help="the gateways' own work is inside the clock too")
    parser.add_argument("--gateway-processes", type=int, help="that share the gateways; 8 real ones, or 2")
    given = parser.parse_args(arguments)
    given.gateway_processes = given.gateway_processes or (8 if given.real else 2)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if given.backend == "sqlite":
            url = f"sqlite:///{folder / 'ingest.db'}"
            migrate(url)
            found = run(url, folder, given)
        else:
            postgres = Postgres(folder / "postgres")
            found = run(postgres.migrated(), folder, given)
            postgres.stop()
    for line, value in found.items():
        print(f"  {line}: {value}")
    print(json.dumps(found), flush=True)
    whole = not (found["missing"] or found["left_waiting"] or found["out_of_balance"])
    return 0 if whole and found["gateways_done"] == given.gateways else 1


if __name__ == "__main__":
    sys.exit(main())
