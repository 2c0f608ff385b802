"""
Enrolment: a one-time code becomes the device's key, in a file that only its user can read.

Promises: the code is read from a terminal without showing it, from standard input or from a file, and is
never written; the key is written into its file alone. After a lost reply the command asks again with the
same attempt, also at its next call, so that a weak link does not use a code up.
Leaves to others: the request itself (`gateway.uplink.transport`), who made the code (the server).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, TextIO

from cleanside.gateway import file_modes
from cleanside.gateway.errors import CalledWrongly, SettingsWrong, TryAgain, why
from cleanside.gateway.private import check_key, hidden, hide_from_now_on, read_secret
from cleanside.gateway.units import counted
from cleanside.gateway.uplink.retry_after import retry_after_s
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request, Transport

TRIES: Final = 6  # with the pauses some two minutes, while a person waits; chosen
FIRST_PAUSE_S: Final = 2.0
LONGEST_PAUSE_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class IssuedKey:
    """The server's answer to the code."""

    device: str
    machine: str
    #: sent once; written into its file alone
    key: str
    #: cautions for the machine, from the server
    cautions: tuple[str, ...] = ()

    def __repr__(self) -> str:  # a traceback or log must not show the key
        return f"Enrolled(device={self.device!r}, machine={self.machine!r})"


@dataclass(frozen=True, slots=True)
class Again:
    """Undecided; ask again after a pause, at least so long [s]."""

    why: str
    pause_s: float


def enrol(
    transport: Transport,
    key_file: Path,
    *,
    code: str,
    device: str,
    new_attempt: Callable[[], str],
    sleep: Callable[[float], object],
    now: Callable[[], datetime],
    say: Callable[[str], object],
) -> IssuedKey:
    """
    Send the code, and write the key to its file, mode 0600. `new_attempt` returns a new random word.

    say : called after each failed try, with the reason and the time of the next one.

    Raises CalledWrongly where the file is there already or the server refuses, TryAgain without an answer.
    """
    if key_file.exists():
        raise CalledWrongly("key_file_exists", key_file=key_file)
    pending = key_file.with_name(key_file.name + ".enrolling")
    attempt = _kept_attempt(pending, new_attempt)
    body = json.dumps({"code": code, "device": device, "attempt": attempt}).encode()
    request = Request(
        method="POST", path="/v1/enrol", headers={"Content-Type": "application/json"}, body=body
    )
    pause_s, why = FIRST_PAUSE_S, ""
    for left in range(TRIES - 1, -1, -1):
        outcome = meaning(transport.send(request), device, now=now())
        if isinstance(outcome, IssuedKey):
            _write_private(key_file, outcome.key + "\n")
            pending.unlink(missing_ok=True)
            return outcome
        why = outcome.why
        if left:
            wait_s = min(LONGEST_PAUSE_S, max(pause_s, outcome.pause_s))
            say(f"not enrolled yet: {why}; next try in {wait_s:.0f} s, {counted(left, 'try', 'tries')} left")
            sleep(wait_s)
            pause_s *= 2
    raise TryAgain("not_enrolled_yet", why=why)


def meaning(outcome: Outcome, device: str, *, now: datetime) -> IssuedKey | Again:
    """The meaning of an answer. Pure. Raises CalledWrongly for a final refusal."""
    if isinstance(outcome, NoAnswer):
        return Again(outcome.reason, 0.0)
    document = _document(outcome)
    key = document.get("key")
    if outcome.status == 201 and document.get("device") == device and isinstance(key, str):
        return IssuedKey(
            device,
            str(document.get("machine", "")),
            check_key(key, where="the server's answer"),
            _cautions(document.get("cautions")),
        )
    if outcome.status in (400, 403, 409, 422) and "code" in document:
        raise CalledWrongly("server_refuses", detail=hidden(str(document.get("detail", document["code"]))))
    headers = outcome.headers
    asked_s = retry_after_s(headers.get("retry-after"), date=headers.get("date"), now=now)
    return Again(f"the answer was {outcome.status}", asked_s or 0.0)


def _cautions(given: object) -> tuple[str, ...]:
    """Cautions of an answer; none where their form is unknown: the key matters more."""
    entries = given if isinstance(given, list) else []
    texts = [entry.get("caution") for entry in entries if isinstance(entry, dict)]
    return tuple(words for words in texts if isinstance(words, str) and words.isprintable())


def read_code(file: str | None, stdin: TextIO, ask: Callable[[str], str]) -> str:
    """
    The code: from a file, from a terminal (without showing it), or the first line of standard input.

    Raises CalledWrongly where there is none.
    """
    if file is not None:
        code = read_secret(Path(file), before="--code-file ", check="the name")
    else:
        code = (ask("code: ") if stdin.isatty() else stdin.readline()).strip()
    if not code:
        raise CalledWrongly("no_code")
    hide_from_now_on(code)
    return code


def _document(reply: Reply) -> dict[str, object]:
    """A JSON object of our server, or an empty one: a portal's page is no answer."""
    if reply.media_type not in ("application/json", "application/problem+json"):
        return {}
    return reply.document or {}


def _kept_attempt(pending: Path, new_attempt: Callable[[], str]) -> str:
    """The attempt of an interrupted call, or a new one, stored until there is an answer."""
    try:
        return pending.read_text("ascii").strip()
    except FileNotFoundError:
        attempt = new_attempt()
        _write_private(pending, attempt + "\n")
        return attempt
    except (OSError, UnicodeError) as error:
        raise SettingsWrong("key_file_unreadable", path=pending, why=why(error)) from error


def _write_private(path: Path, text: str) -> None:
    """A file for its user alone, whole or not there: temporary, synchronised, renamed, the folder too."""
    temporary = path.with_name(path.name + ".new")
    try:
        temporary.unlink(missing_ok=True)
        with os.fdopen(file_modes.new_file(temporary), "w", encoding="ascii") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
        file_modes.sync_folder(path.parent)
    except OSError as error:
        raise SettingsWrong("key_file_unwritable", path=path, why=why(error)) from error
