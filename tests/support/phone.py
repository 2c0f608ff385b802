"""
A phone without a screen: it keeps what is entered in a file and sends it by the rule of the browser's outbox.

Promises: an entry is on disk before `enter` returns. `send` goes through what waits in order, and waits for
each answer: 200 takes it off the phone; 401, 408, 429, 5xx, no answer, or an answer that is not the server's
ends the round; any other refusal stays on the phone with its code, and the next one goes.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from cleanside.gateway.wire import PROBLEM_MEDIA_TYPE

LATER = {401, 408, 429}


class Phone:
    """One technician's; a new object over the same file is the same phone with its page opened again."""

    def __init__(self, file: Path) -> None:
        self._file = file
        lines = file.read_text().splitlines() if file.exists() else []
        self._kept: dict[str, dict[str, Any]] = {}
        for line in lines:
            entry = json.loads(line)
            self._kept[entry["entry_id"]] = entry

    @property
    def waiting(self) -> list[str]:
        """Ids that are not yet at the shop, in order."""
        return [name for name, entry in self._kept.items() if not entry["sent"] and entry["code"] is None]

    @property
    def refused(self) -> dict[str, str]:
        """Id -> code of those that the shop will not take as they are."""
        return {name: entry["code"] for name, entry in self._kept.items() if entry["code"] is not None}

    def enter(self, kind: str, machine: str, content: Mapping[str, Any]) -> str:
        """Keep an entry. Returns its id."""
        entry = {"entry_id": str(uuid.uuid4()), "kind": kind, "machine": machine, "made_at": _now()}
        self._keep(entry | {"content": dict(content), "sent": False, "code": None})
        return entry["entry_id"]

    def send(self, client: httpx.Client) -> bool:
        """One round. False: something waits still."""
        return all(self._send_one(client, self._kept[name]) for name in self.waiting)

    def _send_one(self, client: httpx.Client, entry: dict[str, Any]) -> bool:
        """True where the next one may go."""
        body = {k: entry[k] for k in ("entry_id", "kind", "machine", "made_at", "content")}
        try:
            answer = client.post("/v1/entries", json=body | {"sent_at": _now()})
        except httpx.TransportError:
            return False
        if answer.status_code == 200 and answer.json().get("entry_id") == entry["entry_id"]:
            self._keep(entry | {"sent": True})
            return True
        is_ours = answer.headers.get("content-type") == PROBLEM_MEDIA_TYPE
        if not is_ours or answer.status_code in LATER or answer.status_code >= 500:
            return False
        self._keep(entry | {"code": answer.json()["code"]})
        return True

    def _keep(self, entry: dict[str, Any]) -> None:
        with self._file.open("a") as file:
            file.write(json.dumps(entry) + "\n")
            file.flush()
            os.fsync(file.fileno())
        self._kept[entry["entry_id"]] = entry


def _now() -> str:
    return datetime.now(UTC).isoformat().replace("+00:00", "Z")
