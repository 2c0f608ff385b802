"""
One screen for a person: the state of a gateway, with the most urgent work first.

Promises: each line a label and a sentence, no longer than a terminal is wide; what is to do is never cut, its
lines go on below; spans, not instants, where a clock may be wrong.
Leaves to others: the state (`gateway.commands.standing`).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any, Final

from cleanside.gateway.commands.standing import Standing, findings
from cleanside.gateway.commands.status import day_lines, span_text, stream_lines
from cleanside.gateway.commands.status import lines as spool_lines
from cleanside.gateway.commands.unread import not_read_text
from cleanside.gateway.units import counted

_LABEL: Final = 13
_WIDTH: Final = 118  # characters; chosen: a laptop's terminal
_NARROW: Final = 80  # of any terminal
_TO_DO: Final = "to do"
_MOST: Final = 4  # findings, values, streams, days and files shown; the rest is counted
_WAITS_FOR: Final = {
    "link": "a way to the server",
    "server": "the server",
    "key": "a person: the server refuses the key",
    "disk": "the disk",
    "clock": "the time: nothing tells it yet (GPS, NTP or the server would; you can: tell-time)",
    "readings": "new readings",
}


def as_text(standing: Standing) -> str:
    """The standing for a person."""
    return "\n".join(line for label, text in _lines(standing) for line in _shown(label, text))


def _lines(standing: Standing) -> Iterator[tuple[str, str]]:
    spool = dict(spool_lines(standing.status)) if standing.status is not None else {}
    yield "device", spool.pop("device", str(standing.told.get("device", "not known")))
    yield "process", _process(standing)
    found = findings(standing)
    for finding in found[: _MOST + 2]:
        yield _TO_DO, finding.text
    if len(found) > _MOST + 2:
        yield _TO_DO, f"{counted(len(found) - _MOST - 2, 'more finding')}; see --json"
    yield "last reading", _last(standing)
    yield "waiting", spool.pop("waiting", "not known: the spool cannot be read")
    if standing.entries_waiting:
        yield "entries", f"{counted(standing.entries_waiting, 'entry', 'entries')} waiting for the server"
    if standing.sources:
        yield "in memory", _in_memory(standing)
        in_part = standing.total("in_part")
        also = f", {counted(in_part, 'line')} read in part" if in_part else ""
        yield "refused", counted(standing.total("refused"), "line") + also + " since the start"
    for name, said in list(standing.unread_before.items())[:_MOST]:
        yield "before", f"source {name}, in an earlier run: {not_read_text(said)}"
    yield "draining", spool.pop("draining", "not known")
    yield from _link(standing, spool.pop("link", "not known"))
    if standing.told.get("beside"):
        yield "page", f"http://{standing.told['beside']}, opened by the code that `label` prints"
    yield "clock", spool.pop("clock", "not known")
    yield "disk", f"{spool.pop('disk', 'not known')}; {_disk(standing)}"
    if standing.aside:
        yield "set aside", _aside(standing)
    if standing.status is not None:
        yield from stream_lines(standing.status, most=_MOST - 1)
        yield from day_lines(standing.status, most=_MOST - 1)


def _shown(label: str, text: str) -> list[str]:
    if label != _TO_DO:
        return [_cut(f"{label:<{_LABEL}}{text}")]
    # Its end is the next step.
    first, *rest = textwrap.wrap(" ".join(text.split()), _NARROW - _LABEL, break_on_hyphens=False)
    return [f"{label:<{_LABEL}}{first}", *(f"{'':<{_LABEL}}{line}" for line in rest)]


def _process(standing: Standing) -> str:
    process, answer = standing.process, standing.told
    if process.state == "runs":
        doing, began = "is stopping" if answer["stopping"] else "runs", span_text(answer["running_s"])
        return f"{doing}, started {began} ago, process {process.pid}, version {answer['version']}"
    last = (
        ""
        if standing.last_write_s is None
        else f"; the spool was last written to {span_text(standing.last_write_s)} ago"
    )
    state = {"gone": "does not run", "silent": "does not answer", "unknown": "not known"}[process.state]
    return f"{state}{last}"


def _last(standing: Standing) -> str:
    newest = standing.newest
    if newest is None:
        return "none held"
    values = sorted(newest.values.items(), key=lambda entry: entry[0] != "restriction")
    main, *others = (
        ["nothing measured"]
        if not values
        else [f"{name} {value:g} {unit}" for name, (value, unit) in values[:_MOST]]
    )
    more = f" and {len(values) - _MOST} more" if len(values) > _MOST else ""
    # The age stands beside the first value: the line is cut at its end.
    age = "its time is not known" if newest.age_s is None else f"{span_text(newest.age_s)} ago"
    if newest.is_since_arrival:
        age = f"arrived {age}"
    return f"{main}, {age}{'; ' if others else ''}{', '.join(others)}{more}"


def _in_memory(standing: Standing) -> str:
    held, lost = standing.total("in_memory"), standing.total("lost")
    text = (
        f"{counted(held, 'reading')}, waiting for the disk" if held else "nothing: every reading is on disk"
    )
    return text + (f"; {lost:,} lost" if lost else "")


def _link(standing: Standing, noted: str) -> Iterator[tuple[str, str]]:
    link = standing.link
    if not standing.told:
        yield "link", f"{noted} (noted before the gateway ended)"
        return
    if link is None:
        yield "link", "none: this gateway only collects (uplink.server is not set)"
        return
    yield "link", _state(link)
    word = link["last_word"]
    yield (
        "server",
        "has said nothing yet" if word is None else f"{word}, {span_text(link['last_word_s'])} ago",
    )
    yield "next try", _next(link)


def _state(link: Mapping[str, Any]) -> str:
    if link["failing_s"] is None:
        return "works" if link["last_word"] is not None else "no exchange yet"
    return f"failing for {span_text(link['failing_s'])}: {link['reason']}"


def _next(link: Mapping[str, Any]) -> str:
    if link["waits_for"] is None:
        return "now"
    when = "" if link["next_try_s"] is None else f"in {span_text(link['next_try_s'])}; "
    return f"{when}waits for {_WAITS_FOR[link['waits_for']]}, since {span_text(link['waits_s'])}"


def _disk(standing: Standing) -> str:
    writable = "not writable" if standing.is_read_only or standing.disk_failing else "writable"
    free = "" if standing.free_bytes is None else f", {standing.free_bytes / 2**20:,.0f} MiB free"
    return writable + free


def _aside(standing: Standing) -> str:
    shown = ", ".join(
        f"{aside.name} ({'carried over' if aside.is_read else 'being read'})"
        for aside in standing.aside[:_MOST]
    )
    more = f" and {len(standing.aside) - _MOST} more" if len(standing.aside) > _MOST else ""
    return f"{counted(len(standing.aside), 'damaged file')}: {shown}{more}"


def _cut(line: str) -> str:
    flat = " ".join(line.splitlines())
    return flat if len(flat) <= _WIDTH else flat[: _WIDTH - 3] + "..."
