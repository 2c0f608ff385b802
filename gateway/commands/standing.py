"""
The state of a gateway as a whole: its process, its spool, its disk, and what needs a person.

Promises: changes nothing, and says what it does not know; a disk that takes no writes and a spool that cannot
be read are findings, not errors. Leaves to others: the spool's figures (`gateway.commands.status`), the
process (`gateway.commands.live`), the screen (`gateway.commands.standing_text`).
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.commands.aside_files import MAKE_ROOM, Aside, aside_files, unread_text
from cleanside.gateway.commands.last_reading import LastReading, last_on_disk
from cleanside.gateway.commands.live import Process, ask
from cleanside.gateway.commands.status import Status, as_document, is_nearly_full, span_text
from cleanside.gateway.commands.unread import UNREAD_NOTE, not_read_text
from cleanside.gateway.commands.wanting import wanting
from cleanside.gateway.errors import CalledWrongly, TryAgain
from cleanside.gateway.spool.file import one_view
from cleanside.gateway.spool.machine_entries import count_waiting_entries
from cleanside.gateway.spool.rescue import unread
from cleanside.gateway.spool.state import read_state
from cleanside.gateway.timing.clock import Clock
from cleanside.gateway.units import counted

FINE: Final = 0
NEEDS_PERSON: Final = 1
CANNOT_TELL: Final = 2  # it does not run, or its state is unknown
LEAST_FREE_BYTES: Final = 64 * 2**20  # chosen: a quarter of the usual budget


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that needs a person."""

    code: str
    #: the trouble and since when, with the next step
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """The state of one gateway at one moment."""

    path: Path
    process: Process
    #: None: the spool cannot be read, for this reason
    status: Status | None
    unreadable: str
    last: LastReading | None
    #: entries made at the machine that the server does not have; None: not known
    entries_waiting: int | None
    #: since the spool was last written to [s]; None: not known
    last_write_s: float | None
    aside: Sequence[Aside]
    free_bytes: int | None
    is_read_only: bool

    @property
    def told(self) -> Mapping[str, Any]:
        """The answer of the process; empty where there is none."""
        return self.process.told or {}

    @property
    def sources(self) -> Sequence[Mapping[str, Any]]:
        """Its sources, in its answer."""
        return self.told.get("sources") or []

    @property
    def link(self) -> Mapping[str, Any] | None:
        """Its link, in its answer; None: there is none, or it only collects."""
        return self.told.get("link")

    def total(self, name: str) -> int:
        """Sum of a count over all sources."""
        return sum(int(source.get(name, 0)) for source in self.sources)

    @property
    def unread_before(self) -> Mapping[str, Mapping[str, Any]]:
        """Source -> what it could not read in the last run that declared such, unless that is this one."""
        notes = {} if self.status is None else self.status.spool.notes
        now = {source["name"] for source in self.sources if not_read_text(source)}
        before = {
            name.removeprefix(UNREAD_NOTE): said
            for name, said in notes.items()
            if said and name.startswith(UNREAD_NOTE)
        }
        return {name: said for name, said in before.items() if name not in now}

    @property
    def disk_failing(self) -> tuple[float, str] | None:
        """Since when the process cannot write [s], and why; None: it can, or did not answer."""
        failing = [
            (s["disk_failing_s"], s["disk_reason"]) for s in self.sources if s["disk_failing_s"] is not None
        ]
        return max(failing) if failing else None

    @property
    def newest(self) -> LastReading | None:
        """The last reading, on disk or in the answer of the process."""
        answered = [
            LastReading(
                {
                    name: (entry["value"], entry["unit"])
                    for name, entry in source["last_reading"]["values"].items()
                },
                source["last_reading"]["age_s"],
                is_since_arrival=True,
            )
            for source in self.sources
            if source["last_reading"]
        ]
        dated = [last for last in (*answered, self.last) if last is not None and last.age_s is not None]
        return min(dated, key=lambda last: last.age_s or 0.0) if dated else self.last

    @property
    def exit_code(self) -> int:
        """For scripts: FINE, NEEDS_PERSON, CANNOT_TELL."""
        if self.process.state != "runs":
            return CANNOT_TELL
        return NEEDS_PERSON if findings(self) else FINE


def look(path: Path, clock: Clock) -> Standing:
    """The state of the gateway whose spool is at `path`. Raises CalledWrongly where there is no spool."""
    if not path.exists():
        raise CalledWrongly("no_spool_yet", path=path)
    process = ask(path)
    seen = _read(path, clock)
    free_bytes, is_read_only = room_on_disk(path.parent)
    return Standing(
        path=path,
        process=process,
        status=seen.status,
        unreadable=seen.unreadable,
        last=seen.last,
        entries_waiting=seen.entries_waiting,
        last_write_s=_last_write_s(path, clock.utc_us()),
        aside=aside_files(path, seen.unread),
        free_bytes=free_bytes,
        is_read_only=is_read_only,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _SpoolSeen:
    """What the spool says."""

    status: Status | None = None
    last: LastReading | None = None
    entries_waiting: int | None = None
    #: files set aside that are not read to their end
    unread: Sequence[str] = ()
    #: why it cannot be read
    unreadable: str = ""


def _read(path: Path, clock: Clock) -> _SpoolSeen:
    try:
        with one_view(path) as connection:
            return _SpoolSeen(
                status=Status(read_state(connection, path=path), clock.utc_us()),
                last=last_on_disk(connection, clock),
                entries_waiting=count_waiting_entries(connection),
                unread=unread(connection, path),
            )
    except TryAgain as error:
        return _SpoolSeen(unreadable=str(error))


def _last_write_s(path: Path, now_us: int) -> float | None:
    times_us = []
    for part in ("", "-wal"):
        with suppress(OSError):
            state = os.stat(f"{path}{part}")  # noqa: PTH116 - a suffix, no path
            if state.st_size:  # a reader leaves an empty log
                times_us.append(state.st_mtime_ns // 1000)
    return max(0.0, (now_us - max(times_us)) / 1e6) if times_us else None


def room_on_disk(folder: Path) -> tuple[int | None, bool]:
    """Free bytes for this user, None: not known; and whether it is mounted read-only."""
    try:
        state = os.statvfs(folder)
    except OSError:
        return None, False
    return state.f_bavail * state.f_frsize, bool(state.f_flag & os.ST_RDONLY)


# ------------------------------------------------------------ what needs a person


def findings(standing: Standing) -> list[Finding]:
    """What needs a person, most urgent first. Pure."""
    return [*_of_process(standing), *_of_disk(standing), *_of_sources(standing), *_of_link(standing)]


def _of_process(standing: Standing) -> list[Finding]:
    process = standing.process
    match process.state:
        case "gone":
            return [
                Finding("not_running", "the gateway does not run; start it, and look at its log if it ends")
            ]
        case "silent":
            held = (
                "a process holds the spool"
                if process.pid is None
                else f"process {process.pid} holds the spool"
            )
            return [Finding("no_answer", f"{held} and does not answer: {process.reason}; look at its log")]
        case "unknown":
            return [Finding("not_asked", process.reason)]
    return []


def _of_disk(standing: Standing) -> list[Finding]:
    found = []
    if standing.status is None:
        found.append(Finding("spool_unreadable", standing.unreadable))
    if standing.disk_failing is not None:
        since_s, reason = standing.disk_failing
        found.append(
            Finding("disk_takes_no_writes", f"the disk takes no writes since {span_text(since_s)}: {reason}")
        )
    elif standing.is_read_only:
        found.append(
            Finding("disk_read_only", "the disk is mounted read-only; check it, then mount it for writing")
        )
    if standing.free_bytes is not None and standing.free_bytes < LEAST_FREE_BYTES:
        found.append(Finding("disk_nearly_full", f"{_mib(standing.free_bytes)} free on the disk; make room"))
        if files := [aside for aside in standing.aside if not aside.is_read]:
            found.append(Finding("aside_unread", f"{unread_text(files)}; {MAKE_ROOM}"))
    if standing.status is not None and is_nearly_full(standing.status):
        text = (
            "waiting readings fill the budget and will be thinned out; bring the link back, or carry a bundle"
        )
        found.append(Finding("budget_nearly_full", text))
    return found


def _of_sources(standing: Standing) -> list[Finding]:
    found = []
    if count := standing.total("in_memory"):
        text = f"{counted(count, 'reading')} only in memory: lost if the power goes or the process is killed"
        found.append(Finding("readings_in_memory", text))
    if count := standing.total("lost"):
        found.append(Finding("readings_lost", f"{counted(count, 'reading')} lost because memory was full"))
    for source in standing.sources:
        if source["failing_s"] is not None:
            text = f"source {source['name']} fails since {span_text(source['failing_s'])}: {source['reason']}"
            found.append(Finding("source_failing", text))
        if text := not_read_text(source):
            code = "lines_refused" if source["refused"] else "lines_in_part"
            found.append(Finding(code, f"source {source['name']}: {text}"))
    return [*found, *(Finding("no_restriction", _wanting_text(one)) for one in wanting(standing.sources))]


def _wanting_text(source: Mapping[str, Any]) -> str:
    span, because = span_text(source["without_restriction_s"]), source["without_restriction_because"]
    why = because or "none is among what it sends; check what it is set to read, the sensor and its cable"
    return f"source {source['name']} has measured for {span} without restriction: {why}"


def _of_link(standing: Standing) -> list[Finding]:
    link = standing.link
    if not standing.told:
        return _of_noted_link(standing)
    if link is None or link["failing_s"] is None or not link["needs_person"]:
        return []
    code = "key_refused" if link["waits_for"] == "key" else "server_refuses"
    return [Finding(code, f"since {span_text(link['failing_s'])}: {link['reason']}")]


def _of_noted_link(standing: Standing) -> list[Finding]:
    """Of a process that does not answer, or may not be asked: what it noted of its link last."""
    noted = {} if standing.status is None else standing.status.spool.notes.get("link", {})
    if not noted.get("failing") or noted.get("waits_for") != "key":
        return []
    return [Finding("key_refused", f"when it last noted its link: {noted['last_error']}")]


def _mib(count: int) -> str:
    return f"{count / 2**20:.0f} MiB"


# ------------------------------------------------------------ as an object


def document(standing: Standing) -> dict[str, Any]:
    """The standing as a JSON object; units in the names."""
    spool = {} if standing.status is None else as_document(standing.status)
    process, newest = standing.process, standing.newest
    return {
        **spool,
        "path": str(standing.path),
        "exit_code": standing.exit_code,
        "findings": [{"code": finding.code, "text": finding.text} for finding in findings(standing)],
        "process": {
            "state": process.state,
            "pid": process.pid,
            "version": standing.told.get("version"),
            "running_s": standing.told.get("running_s"),
            "stopping": standing.told.get("stopping"),
            "reason": process.reason or None,
        },
        "last_write_s": standing.last_write_s,
        "last_reading": None
        if newest is None
        else {
            "values": {name: {"value": value, "unit": unit} for name, (value, unit) in newest.values.items()},
            "age_s": newest.age_s,
        },
        "entries_waiting": standing.entries_waiting,
        "beside": standing.told.get("beside"),
        "in_memory": standing.total("in_memory") if standing.sources else None,
        "refused": standing.total("refused") if standing.sources else None,
        "in_part": standing.total("in_part") if standing.sources else None,
        "unread_before": {name: dict(said) for name, said in standing.unread_before.items()},
        "sources": [dict(source) for source in standing.sources],
        "server": {"address": standing.told.get("server"), **(standing.link or {})},
        "disk": {
            **spool.get("disk", {}),
            "free_bytes": standing.free_bytes,
            "read_only": standing.is_read_only,
            "failing_s": standing.disk_failing[0] if standing.disk_failing else None,
            "reason": standing.disk_failing[1] if standing.disk_failing else None,
        },
        "set_aside": [
            {"name": aside.name, "bytes": aside.bytes, "is_read": aside.is_read} for aside in standing.aside
        ],
        "unreadable": standing.unreadable or None,
    }
