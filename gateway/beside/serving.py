"""
The page beside the machine put together: code, facts and listener, in one thread of its own.

Promises: whatever goes wrong here is logged and tried again; the gateway does its work without it.
Leaves to others: starting and stopping (`gateway.commands.run`).
"""

from __future__ import annotations

import ipaddress
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from cleanside.gateway.beside.http_listener import serve_pages
from cleanside.gateway.beside.kept_visit import KeptVisit
from cleanside.gateway.beside.label_code import Doorkeeper, code_of
from cleanside.gateway.beside.machine_facts import FactFinder
from cleanside.gateway.beside.reception import Reception
from cleanside.gateway.errors import GatewayError, why
from cleanside.gateway.log import Log
from cleanside.gateway.spool.identity import RandomBytes, uuid7
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Clock

_AGAIN_S: Final = 60.0  # after the code could not be read or made


def serve_beside(
    listen: tuple[str, int],
    code_file: Path,
    *,
    address: str | None,
    device: str,
    finder: FactFinder,
    visit: KeptVisit,
    spool: Spool,
    clock: Clock,
    random: RandomBytes,
    stop: threading.Event,
    log: Log,
    bound: Callable[[int], None],
) -> None:
    """
    Serve the page at `listen` until `stop`.

    address : of the label; None: as `listen`. bound : called with the port once it is taken.
    """
    while not _has_code(code_file, random, log):
        if stop.wait(_AGAIN_S):
            return
    if not ipaddress.ip_address(listen[0]).is_loopback:
        log("gateway.beside_beyond_loopback", level=logging.WARNING, listen=shown(listen), reason=BEYOND)
    doorkeeper = Doorkeeper(
        lambda: code_of(code_file, random=random), now_us=clock.since_boot_us, random=random, visit=visit
    )
    reception = Reception(
        device,
        doorkeeper=doorkeeper,
        facts=finder.facts,
        spool=spool,
        new_id=lambda: uuid7(unix_ms=max(0, clock.utc_us() // 1000), random=random),
        random=random,
        address=address,
    )
    serve_pages(listen, reception.answer, stop, log=log, bound=bound)


#: what a person should know of an address that is not loopback
BEYOND: Final = (
    "whoever is on this network can reach the page, and it goes in the clear; give it an address of the "
    "machine's own network only"
)


def shown(listen: tuple[str, int]) -> str:
    """Host and port as an address has them (RFC 3986 section 3.2)."""
    host, port = listen
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _has_code(path: Path, random: RandomBytes, log: Log) -> bool:
    try:
        code_of(path, random=random)
    except (GatewayError, OSError) as error:
        log("gateway.beside_failed", level=logging.WARNING, reason=why(error), again_in_s=_AGAIN_S)
        return False
    return True
