"""
The server under load: one that the simulator starts, or one that runs already, and its machines and keys.

Promises: a server on another machine only where that was asked for; what cannot be used is said at once.
Leaves to others: the run (`load_run.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import httpx

from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.this_machine import is_loopback
from cleanside.gateway.uplink.transport import check_address
from cleanside.simulator.errors import CalledWrongly, LoadFailed
from cleanside.simulator.load_patterns import LoadPlan
from cleanside.simulator.tried_shop import TriedShop

REGISTERED_AT_ONCE: Final = 8


@dataclass(frozen=True, slots=True)
class LoadTarget:
    """The server under load. shop : None where it is not the simulator's own."""

    url: str
    key: str
    shop: TriedShop | None


@contextmanager
def own_server(folder: Path) -> Iterator[LoadTarget]:
    """A server of the simulator's own, on loopback. folder : for its files."""
    shop = TriedShop(folder)
    try:
        shop.open()
        yield LoadTarget(shop.url, key_in(shop.key_file), shop)
    finally:
        shop.stop()


def running_server(server: str, key_file: Path | None, *, beyond_loopback: bool) -> LoadTarget:
    """A server that runs already. Raises CalledWrongly where it may not be used, or not with this key."""
    if key_file is None:
        raise CalledWrongly("--server needs --key-file: a file with an admin key of that server")
    return LoadTarget(address_of(server, beyond_loopback=beyond_loopback), key_in(key_file), None)


def address_of(server: str, *, beyond_loopback: bool) -> str:
    """Its address. Raises CalledWrongly for one of another machine, unless that was asked for."""
    try:
        url = check_address(server)
    except SettingsWrong as error:
        raise CalledWrongly(f"--server: {error}") from error
    if not beyond_loopback and not is_loopback(urlsplit(url).hostname or ""):
        raise CalledWrongly(
            f"--server {url} is not this machine; load on another one needs --beyond-loopback, and the word "
            "of whoever runs it"
        )
    return url


def key_in(file: Path) -> str:
    """The key in a file. Raises CalledWrongly where it cannot be read."""
    try:
        return file.read_text().strip()
    except OSError as error:
        raise CalledWrongly(
            f"--key-file {file} cannot be read ({error.strerror}); give a readable file"
        ) from error


def register(plan: LoadPlan, target: LoadTarget) -> list[str]:
    """A machine with a monitor and a key for each; returns the keys. Raises LoadFailed."""
    headers = {"Authorization": f"Bearer {target.key}"}
    with httpx.Client(base_url=target.url, headers=headers, timeout=30.0) as http:

        def one(machine: int) -> str:
            device = plan.device(machine)
            _post(
                http, "/v1/machines", {"machine": device, "kind": "hauler", "housings": [{"housing": "main"}]}
            )
            _post(http, "/v1/devices", {"device": device, "machine": device})
            return str(
                _post(http, "/v1/keys", {"role": "device", "devices": [device], "note": "load"})["key"]
            )

        with ThreadPoolExecutor(REGISTERED_AT_ONCE) as pool:
            return list(pool.map(one, range(plan.machines)))


def _post(http: httpx.Client, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
    try:
        reply = http.post(path, json=body)
    except httpx.TransportError as error:
        raise LoadFailed(
            f"POST {path} had no answer ({error}); is the server at {http.base_url} running?"
        ) from error
    if reply.status_code >= 300:
        raise LoadFailed(
            f"POST {path} was answered {reply.status_code}: {reply.text[:300]}; it needs an admin key"
        )
    answer: dict[str, Any] = reply.json()
    return answer
