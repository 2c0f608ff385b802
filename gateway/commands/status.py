"""
The state of a spool, for people and for programs: read beside a running gateway, without any change.

Promises: shows the backlog, its age, how fast it drains, how well the time is known, how full the disk
budget is, the last trouble and the bytes on the link. Leaves to others: the spool's own figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.file import open_to_read, translated
from cleanside.gateway.spool.state import WARN_SHARE, BootState, SpoolState, StreamState, read_state
from cleanside.gateway.units import counted
from cleanside.gateway.wire import instant_text


@dataclass(frozen=True, slots=True)
class Status:
    """A spool's state and derived figures at one moment."""

    spool: SpoolState
    now_us: int

    @property
    def oldest_s(self) -> float | None:
        """Age of the oldest waiting reading [s]; None: none waits, or its time is not known yet."""
        at_us = self.spool.oldest_at_us
        return None if at_us is None else max(0.0, (self.now_us - at_us) / 1e6)

    @property
    def rate_per_s(self) -> float | None:
        """Readings acknowledged a second, lately; None: not measured."""
        rate = self.spool.notes.get("link", {}).get("rate_per_s")
        return float(rate) if isinstance(rate, (int, float)) else None

    @property
    def drain_s(self) -> float | None:
        """Seconds until the backlog is gone at that rate; None: it does not drain, or is not measured."""
        if self.spool.notes.get("link", {}).get("failing"):
            return None
        rate = self.rate_per_s
        return self.spool.backlog / rate if rate else None

    @property
    def budget_days(self) -> float | None:
        """How long readings are kept [d]; None: as long as the bytes allow."""
        days = self.spool.notes.get("budget_days")
        return float(days) if isinstance(days, (int, float)) else None

    @property
    def days_share(self) -> float | None:
        """Age of the oldest waiting reading as a share of the days allowed; None: no such limit."""
        if self.budget_days is None or self.oldest_s is None:
            return None
        return self.oldest_s / 86_400 / self.budget_days

    @property
    def budget_share(self) -> float | None:
        """Share of the budget that waiting readings take, 0 to 1 and beyond; None: no budget known."""
        return self.spool.waiting_share


def read(path: Path, *, now_us: int) -> Status:
    """Read the status of the spool at `path`. Raises CalledWrongly if there is none."""
    if not path.exists():
        raise CalledWrongly("no_spool_yet", path=path)
    with translated(path):
        connection = open_to_read(path)
        try:
            return Status(read_state(connection, path=path), now_us)
        finally:
            connection.close()


def as_document(status: Status) -> dict[str, Any]:
    """The status as a JSON object; units in the names."""
    spool = status.spool
    link = spool.notes.get("link", {})
    return {
        "device": spool.device,
        "path": spool.path,
        "backlog": spool.backlog,
        "oldest_at": None if spool.oldest_at_us is None else instant_text(spool.oldest_at_us),
        "oldest_s": status.oldest_s,
        "waits_for_clock": spool.waits_for_anchor,
        "rate_per_s": status.rate_per_s,
        "drain_s": status.drain_s,
        "link": {"failing": link.get("failing"), "last_error": link.get("last_error")},
        "clock": {
            "boot": spool.boot.boot if spool.boot else None,
            "anchor": spool.boot.anchor if spool.boot else None,
            "uncertainty_s": spool.boot.uncertainty_s if spool.boot else None,
            "contradicted_by_s": spool.boot.contradicted_by_s if spool.boot else None,
            "boots_not_placed": spool.boots_not_placed,
        },
        "disk": {
            "used_bytes": spool.used_bytes,
            "file_bytes": spool.file_bytes,
            "budget_bytes": spool.budget_bytes,
            "budget_days": status.budget_days,
            "waiting_share": status.budget_share,
            "warning": is_nearly_full(status),
        },
        "streams": [
            {
                "stream": stream.stream,
                "state": stream.state,
                "acknowledged_through": stream.acknowledged_through,
                "appended_through": stream.appended_through,
                "backlog": stream.backlog,
                "shed_waiting": stream.shed_waiting,
            }
            for stream in spool.streams
        ],
        "traffic": [
            {"day": day, "up_bytes": up, "down_bytes": down} for day, (up, down) in spool.traffic.items()
        ],
    }


def lines(status: Status) -> list[tuple[str, str]]:
    """Labels and sentences of the spool's state for a person, without streams and traffic."""
    spool = status.spool
    link = spool.notes.get("link", {})
    return [
        ("device", spool.device),
        ("waiting", f"{counted(spool.backlog, 'reading')}{_oldest(status)}"),
        ("draining", _drain(status)),
        ("link", f"{'failing' if link.get('failing') else 'no trouble noted'}{_error(link)}"),
        ("clock", _clock(spool)),
        ("disk", _disk(status)),
    ]


def contradicted_text(boot: BootState) -> str:
    """What contradicts the time of a boot, and the next step."""
    by_s = boot.contradicted_by_s or 0.0
    return (
        f"an answer of the server is {span_text(abs(by_s))} {'after' if by_s > 0 else 'before'} the time "
        f"that {boot.anchor} gave this boot; new readings state a width that covers both. It is settled by "
        "answers that agree for an hour, or by a person: cleanside-gateway tell-time"
    )


def stream_lines(status: Status, *, most: int) -> list[tuple[str, str]]:
    """The last `most` streams, and how many there are before them."""
    streams = status.spool.streams
    shown = [("stream", _stream(stream)) for stream in streams[-most:]]
    return shown + [("stream", f"{len(streams) - most} older; see --json")] * (len(streams) > most)


def _stream(stream: StreamState) -> str:
    shed = f", {stream.shed_waiting:,} shed" if stream.shed_waiting else ""
    through = f"acknowledged through {stream.acknowledged_through} of {stream.appended_through}"
    return f"{stream.stream} ({stream.state}): {through}{shed}"


def day_lines(status: Status, *, most: int) -> list[tuple[str, str]]:
    """Bytes on the link on each of the last `most` days."""
    days = list(status.spool.traffic.items())[-most:]
    return [(day, f"{up_bytes} bytes up, {down_bytes} bytes down") for day, (up_bytes, down_bytes) in days]


def as_text(status: Status) -> str:
    """The spool's part of the status for a person."""
    all_lines = lines(status) + stream_lines(status, most=100) + day_lines(status, most=7)
    return "\n".join(f"{label:<13}{text}" for label, text in all_lines)


def _oldest(status: Status) -> str:
    if status.spool.waits_for_anchor:
        return ", held until the clock is known"
    if status.oldest_s is None or status.spool.oldest_at_us is None:
        return ""
    return f", the oldest from {instant_text(status.spool.oldest_at_us)} ({span_text(status.oldest_s)} ago)"


def _drain(status: Status) -> str:
    if not status.spool.backlog:
        return "nothing waits"
    if status.rate_per_s is None or status.drain_s is None:
        return "not at the moment"
    return f"{status.rate_per_s:g} readings/s, done in about {span_text(status.drain_s)}"


def _error(link: dict[str, Any]) -> str:
    return f"; last trouble: {link['last_error']}" if link.get("last_error") else ""


def _clock(spool: SpoolState) -> str:
    if spool.boot is None or spool.boot.anchor is None:
        return "not known yet: nothing tells this boot's time (GPS, NTP or the server would)"
    if spool.boot.contradicted_by_s is not None:
        return f"in question: {contradicted_text(spool.boot)}"
    return f"from {spool.boot.anchor}, within {spool.boot.uncertainty_s:.2g} s when set"


def _disk(status: Status) -> str:
    spool = status.spool
    of = f" of {spool.budget_bytes / 2**20:.0f} MiB" if spool.budget_bytes else ""
    held = "" if status.budget_days is None else f", held for {status.budget_days:g} d"
    warning = (
        " - WARNING: waiting readings fill the budget; they will be thinned out"
        if is_nearly_full(status)
        else ""
    )
    return f"{spool.used_bytes / 2**20:.1f}{of or ' MiB'} used{held}{warning}"


def is_nearly_full(status: Status) -> bool:
    """True if the backlog comes near the budget."""
    return max(status.budget_share or 0.0, status.days_share or 0.0) >= WARN_SHARE


def span_text(seconds: float) -> str:
    """A span in a unit for people."""
    for unit, size_s in (("d", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.1f} {unit}"
    return f"{seconds:.0f} s"
