"""
The command `doctor`: checks everything that a gateway needs: key, address, disk, clock, unit, sources.

Promises: changes nothing, and sends only one question to the server. Each check has a code, what was seen,
and what to do. Where a check fails, later checks that need it are reported as not done.
Leaves to others: the state of a running gateway (`gateway.commands.standing`).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.commands.aside_files import MAKE_ROOM, Aside, unread_beside, unread_text
from cleanside.gateway.commands.service import UNIT_FOLDER, UNIT_NAME
from cleanside.gateway.commands.standing import LEAST_FREE_BYTES, Standing, look, room_on_disk
from cleanside.gateway.commands.status import contradicted_text, read
from cleanside.gateway.commands.unread import not_read_text
from cleanside.gateway.errors import GatewayError, why
from cleanside.gateway.settings import Settings, key_reader
from cleanside.gateway.sources import Context, find_source, split_entry
from cleanside.gateway.timing.clock import Clock
from cleanside.gateway.uplink.asking import PATH as MARKS_PATH
from cleanside.gateway.uplink.decision import BODY_HEADERS, is_refused, problem_code
from cleanside.gateway.uplink.refused_key import step_for_key, why_refused
from cleanside.gateway.uplink.transport import NoAnswer, Reply, Request, Transport
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    PROBLEM_MEDIA_TYPE,
    AskedStream,
    encode_marks_question,
)

GOOD, BAD, NOT_LOOKED_AT = "good", "bad", "not_looked_at"
#: a stream that never exists (RFC 9562 section 5.9): a question that costs the server nothing
_NO_STREAM: Final = "00000000-0000-0000-0000-000000000000"
_OLDER_QUESTION: Final = Request(
    method="GET",
    path=f"/v1/streams/{_NO_STREAM}",
    headers={"Accept": f"{ANSWER_MEDIA_TYPE}, {PROBLEM_MEDIA_TYPE}", "Cache-Control": "no-store"},
)


@dataclass(frozen=True, slots=True)
class Examined:
    """One check."""

    #: the subject: key, server, disk, set_aside, clock, unit, source
    part: str
    #: "good", "bad" or "not_looked_at"
    result: str
    seen: str
    #: what to do; "" where it is good
    next_step: str = ""


def examine(
    settings: Settings,
    *,
    environ: Mapping[str, str],
    clock: Clock,
    connect: Callable[[Settings], Transport],
    unit_folder: Path = UNIT_FOLDER,
) -> Iterator[Examined]:
    """Each check in turn. connect : makes the transport; may raise GatewayError, as for certificates."""
    key = _key(settings, environ)
    yield key
    yield _server(settings, connect, has_key=key.result == GOOD)
    yield _disk(settings.spool_path.parent)
    if files := unread_beside(settings.spool_path):
        yield what_unread_files_mean(files, room_on_disk(settings.spool_path.parent)[0])
    yield _clock(clock)
    if (contradicted := _contradicted(settings.spool_path)) is not None:
        yield contradicted
    yield _unit(settings.device, unit_folder)
    yield from _sources(settings, clock)


def _key(settings: Settings, environ: Mapping[str, str]) -> Examined:
    try:
        key_reader(settings, environ)  # reads the key before it returns
    except GatewayError as error:
        step = "get one with: cleanside-gateway enrol, and a code from the shop"
        return Examined("key", BAD, str(error), step)
    path = settings.uplink_key_file
    if path is not None and os.name == "posix" and path.stat().st_mode & 0o077:
        return Examined("key", BAD, f"others can read {path}", f"chmod 600 {path}")
    return Examined("key", GOOD, "it is there, and others cannot read it")


# ------------------------------------------------------------ the server


def _server(settings: Settings, connect: Callable[[Settings], Transport], *, has_key: bool) -> Examined:
    """Address, TLS and key, by one question."""
    if settings.uplink_server is None:
        return Examined("server", BAD, "no address is set", "set uplink.server, like https://shop.example")
    if not has_key:
        return Examined("server", NOT_LOOKED_AT, "there is no key to ask with")
    try:
        transport = connect(settings)
    except GatewayError as error:
        return Examined("server", BAD, str(error), "check uplink.ca_file and the certificates")
    try:
        outcome = transport.send(_question(settings.device))
        if is_refused(outcome):  # a server of the previous release does not know that question
            outcome = transport.send(_OLDER_QUESTION)
    finally:
        transport.close()
    return what_the_server_says(outcome, settings.uplink_server)


def _question(device: str) -> Request:
    """Where a stream that there is none of stands: asked for this device, so that its key shows."""
    asked = AskedStream(stream=_NO_STREAM, acknowledged_through=0, appended_through=0)
    body = encode_marks_question(device, [asked])
    return Request(method="POST", path=MARKS_PATH, headers=BODY_HEADERS, body=body)


def what_the_server_says(outcome: Reply | NoAnswer, server: str) -> Examined:
    """The meaning of the answer to that question. Pure."""
    if isinstance(outcome, NoAnswer):
        step = "check name, port, network and, if it speaks of a certificate, uplink.ca_file and the clock"
        return Examined("server", BAD, f"no answer from {server}: {outcome.reason}", step)
    code = problem_code(outcome)
    answered = outcome.status == 200 and outcome.media_type == ANSWER_MEDIA_TYPE
    if answered or (outcome.status == 404 and code == "unknown_stream"):
        return Examined("server", GOOD, f"{server} answers, and takes the key")
    if outcome.status in (401, 403) and code is not None:
        seen = f"{server} refuses the key ({code}): {why_refused(code)}"
        return Examined("server", BAD, seen, step_for_key(code))
    if code is not None:
        return Examined("server", BAD, f"{server} answers with {outcome.status} {code}", "try again later")
    step = "check uplink.server; a portal or proxy may stand in between"
    return Examined("server", BAD, f"what answers at {server} is no server of cleanside", step)


# ------------------------------------------------------------ the machine


def _disk(folder: Path) -> Examined:
    folder_above = next(above for above in (folder, *folder.parents) if above.exists())
    try:
        state = os.statvfs(folder_above)
    except OSError as error:
        return Examined("disk", BAD, f"{folder_above}: {why(error)}", "check the disk")
    if state.f_flag & os.ST_RDONLY:
        return Examined(
            "disk", BAD, f"{folder_above} is mounted read-only", "check the disk, mount it for writing"
        )
    if not os.access(folder_above, os.W_OK | os.X_OK):
        step = "give spool.path a folder of this user, or start it as the unit does"
        return Examined("disk", BAD, f"this user may not write in {folder_above}", step)
    free_bytes = state.f_bavail * state.f_frsize
    seen = f"{free_bytes / 2**20:.0f} MiB free in {folder_above}"
    if free_bytes < LEAST_FREE_BYTES:
        return Examined("disk", BAD, seen, f"make room: {LEAST_FREE_BYTES / 2**20:.0f} MiB at least")
    return Examined("disk", GOOD, seen)


def what_unread_files_mean(files: Sequence[Aside], free_bytes: int | None) -> Examined:
    """Files set aside that are not read: a gateway that runs reads them, where it has room. Pure."""
    if free_bytes is not None and free_bytes < LEAST_FREE_BYTES:
        return Examined("set_aside", BAD, unread_text(files), MAKE_ROOM)
    return Examined("set_aside", GOOD, f"{unread_text(files)}; a gateway that runs reads them")


def _clock(clock: Clock) -> Examined:
    anchor = clock.evidence()
    if anchor is None:
        step = (
            "start a time service (NTP) or connect GPS; else readings wait until the server tells the time, "
            "or a person: cleanside-gateway tell-time"
        )
        return Examined("clock", BAD, "nothing disciplines the machine's clock", step)
    return Examined("clock", GOOD, f"disciplined, within {anchor.uncertainty_us / 1e6:.3g} s")


def _contradicted(path: Path) -> Examined | None:
    """The running boot's time in question; None: nothing contradicts it, or no spool says so."""
    try:
        boot = read(path, now_us=0).spool.boot
    except GatewayError:
        return None  # `status` says what is wrong with the file
    if boot is None or boot.contradicted_by_s is None:
        return None
    step = "compare the server's clock with a right one; here: cleanside-gateway tell-time --now TIME"
    return Examined("clock", BAD, contradicted_text(boot), step)


def _unit(device: str, folder: Path) -> Examined:
    wanted = folder / "multi-user.target.wants" / UNIT_NAME.replace("@", f"@{device}")
    if not (folder / UNIT_NAME).exists():
        step = "install it: cleanside-gateway install-service"
        return Examined("unit", BAD, f"there is no {folder / UNIT_NAME}", step)
    if not os.path.lexists(wanted):
        step = f"systemctl enable --now {wanted.name}"
        return Examined("unit", BAD, "it does not start with the machine", step)
    return Examined("unit", GOOD, f"{wanted.name} starts with the machine")


def _sources(settings: Settings, clock: Clock) -> Iterator[Examined]:
    if not settings.sources:
        yield Examined("source", BAD, "there is none", "add [[sources]] to the settings, or --source")
    seen = look(settings.spool_path, clock) if settings.sources and settings.spool_path.exists() else None
    for number, entry in enumerate(settings.sources, 1):
        found = _source(entry, number, clock)
        yield (
            found
            if seen is None or found.result == BAD
            else what_it_could_not_read(found, entry, number, seen)
        )


def what_it_could_not_read(
    found: Examined, entry: Mapping[str, Any], number: int, seen: Standing
) -> Examined:
    """A source whose options are good, with what came from it and could not be read. Pure."""
    _, name, _ = split_entry(entry, number)
    now = next((text for s in seen.sources if s["name"] == name and (text := not_read_text(s))), "")
    before = not_read_text(seen.unread_before.get(name, {}))
    step = "correct what it sends, or its options; each line is in the gateway's log"
    if now:
        return Examined("source", BAD, f"{name}: {now}", step)
    if before and seen.process.state != "runs":
        return Examined("source", BAD, f"{name}: when it ran last, {before}", step)
    return found if not before else replace(found, seen=f"{found.seen}; in an earlier run {before}")


def _source(entry: Mapping[str, Any], number: int, clock: Clock) -> Examined:
    use, name, options = split_entry(entry, number)
    context = Context(name=name, clock=clock, mark=lambda: None, report=lambda *_, **__: None)
    try:
        find_source(use)(options, context)
    except GatewayError as error:
        return Examined("source", BAD, f"{name}: {error}", "correct its options")
    except Exception as error:  # any error of a source's library
        return Examined("source", BAD, f"{name}: {why(error)}", "correct its options")
    return Examined("source", GOOD, f"{name}: its options are complete; run shows whether readings come")


# ------------------------------------------------------------ output


def document(found: list[Examined]) -> dict[str, Any]:
    """The checks as an object."""
    return {
        "checks": [
            {"part": e.part, "result": e.result, "seen": e.seen, "next_step": e.next_step or None}
            for e in found
        ]
    }


def as_text(found: list[Examined]) -> str:
    """The checks for a person, what to do below each."""
    lines = []
    for entry in found:
        lines.append(f"{entry.part:<10}{entry.result.replace('_', ' '):<15}{entry.seen}")
        if entry.next_step:
            lines.append(f"{'':<10}to do: {entry.next_step}")
    return "\n".join(lines)
